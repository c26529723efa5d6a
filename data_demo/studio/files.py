"""Pictures as files: ICC profiles, Exif, JPEG. Made without clocks, so the same bytes come out."""

import io
import struct

import cv2
import numpy as np
import piexif
from PIL import Image

from .finish import decode, encode

# xy of red, green, blue: ITU-R BT.709-6 and BT.2020-2; white D65.
PRIMARIES = {"sRGB": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
             "BT.2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))}
WHITE_D65, WHITE_D50 = (0.3127, 0.3290), (0.9642, 1.0, 0.8249)
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
DESCRIPTIONS = {"sRGB": "sRGB IEC61966-2.1", "BT.2020": "Wide gamut RGB, ITU-R BT.2020 primaries"}


def rgb_to_xyz(name):
    """Matrix of linear RGB to XYZ (D65), columns scaled so that white is 1, 1, 1."""
    columns = np.array([(x / y, 1, (1 - x - y) / y) for x, y in PRIMARIES[name]]).T
    x, y = WHITE_D65
    return columns * np.linalg.solve(columns, np.array([x / y, 1, (1 - x - y) / y]))


def icc_profile(name):
    """ICC version 2.1 matrix profile, ICC.1:1998-09, with the curve of IEC 61966-2-1."""
    x, y = WHITE_D65
    source, target = BRADFORD @ np.array([x / y, 1, (1 - x - y) / y]), BRADFORD @ np.array(WHITE_D50)
    matrix = np.linalg.inv(BRADFORD) @ np.diag(target / source) @ BRADFORD @ rgb_to_xyz(name)
    fixed = lambda v: struct.pack(">i", round(float(v) * 65536))
    xyz = lambda v: b"XYZ \0\0\0\0" + b"".join(fixed(c) for c in v)
    text = DESCRIPTIONS[name].encode()
    described = b"desc\0\0\0\0" + struct.pack(">I", len(text) + 1) + text + b"\0" + bytes(12 + 67 - 1)
    curve = np.round(decode(np.linspace(0, 1, 1024)) * 65535).astype(">u2").tobytes()
    tags = {b"desc": described, b"cprt": b"text\0\0\0\0no copyright, use freely\0", b"wtpt": xyz(WHITE_D50),
            b"rXYZ": xyz(matrix[:, 0]), b"gXYZ": xyz(matrix[:, 1]), b"bXYZ": xyz(matrix[:, 2]),
            b"rTRC": b"curv\0\0\0\0" + struct.pack(">I", 1024) + curve}
    tags[b"gTRC"] = tags[b"bTRC"] = tags[b"rTRC"]
    body, table, places = b"", b"", {}
    start = 128 + 4 + 12 * len(tags)
    for key, data in tags.items():
        if data not in places:
            places[data] = start + len(body)
            body += data + bytes(-len(data) % 4)
        table += key + struct.pack(">II", places[data], len(data))
    size = start + len(body)
    header = struct.pack(">I4sI4s4s4s6H4s4sIIIIII", size, b"\0\0\0\0", 0x02100000, b"mntr", b"RGB ", b"XYZ ", 2020, 1, 1, 0, 0, 0,
                         b"acsp", b"\0\0\0\0", 0, 0, 0, 0, 0, 0)
    header += b"".join(fixed(v) for v in WHITE_D50)
    return header + bytes(128 - len(header)) + struct.pack(">I", len(tags)) + table + body


def to_profile(picture, name):
    """8-bit sRGB pixels as 8-bit pixels of another profile, the same colours."""
    if name in ("sRGB", ""):
        return picture
    matrix = np.linalg.inv(rgb_to_xyz(name)) @ rgb_to_xyz("sRGB")
    return np.round(encode(decode(picture / 255.0) @ matrix.T) * 255).astype(np.uint8)


def exif_block(facts):
    """Exif of a camera file from plain facts; values are rationals as cameras write them."""
    zeroth, camera = {}, {}
    put = lambda block, tag, value: block.__setitem__(tag, value) if value not in (None, "") else None
    put(zeroth, piexif.ImageIFD.Make, facts.get("make"))
    put(zeroth, piexif.ImageIFD.Model, facts.get("model"))
    put(zeroth, piexif.ImageIFD.Software, facts.get("software"))
    zeroth[piexif.ImageIFD.Orientation] = 1
    zeroth[piexif.ImageIFD.XResolution] = zeroth[piexif.ImageIFD.YResolution] = (300, 1)
    zeroth[piexif.ImageIFD.ResolutionUnit] = 2
    put(zeroth, piexif.ImageIFD.DateTime, facts.get("file_time"))
    if "time" in facts:
        camera[piexif.ExifIFD.DateTimeOriginal] = camera[piexif.ExifIFD.DateTimeDigitized] = facts["time"]
        camera[piexif.ExifIFD.SubSecTimeOriginal] = facts["subsecond"]
        camera[piexif.ExifIFD.OffsetTimeOriginal] = facts["offset"]
    if "focal_length_mm" in facts:
        camera |= {piexif.ExifIFD.FocalLength: (round(facts["focal_length_mm"] * 10), 10),
                   piexif.ExifIFD.FocalLengthIn35mmFilm: round(facts["focal_length_mm"]),
                   piexif.ExifIFD.FNumber: (round(facts["f_number"] * 10), 10), piexif.ExifIFD.ExposureTime: (1, facts["shutter"]),
                   piexif.ExifIFD.ISOSpeedRatings: facts["iso"], piexif.ExifIFD.ExposureBiasValue: (0, 3),
                   piexif.ExifIFD.ExposureProgram: 1, piexif.ExifIFD.WhiteBalance: 1, piexif.ExifIFD.Flash: 0,
                   piexif.ExifIFD.BodySerialNumber: facts["serial"], piexif.ExifIFD.LensModel: facts["lens"],
                   piexif.ExifIFD.LensMake: facts["make"]}
    if camera:
        camera[piexif.ExifIFD.ColorSpace] = facts.get("colour_space", 1)
        camera[piexif.ExifIFD.PixelXDimension], camera[piexif.ExifIFD.PixelYDimension] = facts["size"]
        camera[piexif.ExifIFD.ExifVersion] = b"0232"
    return piexif.dump({"0th": zeroth, "Exif": camera})


def jpeg(picture, quality=92, profile="sRGB", exif=None, subsampling="4:2:0"):
    """JPEG bytes; ``profile`` "" leaves the profile out."""
    stream = io.BytesIO()
    more = {"icc_profile": icc_profile(profile)} if profile else {}
    if exif:
        more["exif"] = exif
    Image.fromarray(to_profile(picture, profile)).save(stream, "JPEG", quality=quality, subsampling=subsampling, **more)
    return stream.getvalue()


def mask_png(cover, scale=0.5):
    """The product's outline as 1-bit PNG at ``scale`` of the picture."""
    small = cv2.resize(cover, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) >= 0.5
    stream = io.BytesIO()
    Image.fromarray(small).save(stream, "PNG", optimize=True)
    return stream.getvalue()
