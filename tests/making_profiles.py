"""Colour profiles for tests, written tag by tag (ICC.1:2010, version 2 layout)."""

import struct

import numpy as np

from catalogue_audit.pixels.colour import D50_WHITE, primaries_matrix, srgb_decode

# Primaries and white: Adobe RGB (1998) Color Image Encoding; SMPTE RP 431-2 with D65 (Display P3); ROMM RGB, ISO 22028-2.
SPACES = {
    "sRGB": (((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)), (0.3127, 0.3290), "sRGB"),
    "Adobe RGB": (((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), (0.3127, 0.3290), 563 / 256),
    "Display P3": (((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)), (0.3127, 0.3290), "sRGB"),
    "ROMM RGB": (((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)), (0.3457, 0.3585), 1.8),
}


def _tag_xyz(xyz):
    return b"XYZ \0\0\0\0" + b"".join(struct.pack(">i", round(value * 65536)) for value in xyz)


def _tag_curve(gamma):
    if gamma == "sRGB":
        entries = np.rint(65535 * srgb_decode(np.linspace(0, 1, 1024))).astype(">u2")
        return b"curv\0\0\0\0" + struct.pack(">I", 1024) + entries.tobytes()
    return b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))


def _tag_parametric_srgb():
    numbers = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    return b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + b"".join(struct.pack(">i", round(n * 65536)) for n in numbers)


def _tag_text(name):
    raw = name.encode() + b"\0"
    return b"desc\0\0\0\0" + struct.pack(">I", len(raw)) + raw + bytes(78)


def _tag_localised(name):
    raw = name.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(raw), 28) + raw


def profile(tags, space="RGB ", device_class="mntr", version=0x02400000, pcs="XYZ "):
    """Profile of the given tags (dict of signature to bytes)."""
    table, body, offset = b"", b"", 132 + 12 * len(tags)
    for name, data in tags.items():
        padded = data + bytes(-len(data) % 4)
        table += name.encode() + struct.pack(">II", offset + len(body), len(data))
        body += padded
    header = bytearray(128)
    header[8:12] = struct.pack(">I", version)
    header[12:16], header[16:20], header[20:24] = device_class.encode(), space.encode(), pcs.encode()
    header[36:40] = b"acsp"
    header[68:80] = b"".join(struct.pack(">i", round(value * 65536)) for value in D50_WHITE)
    header[0:4] = struct.pack(">I", offset + len(body))
    return bytes(header) + struct.pack(">I", len(tags)) + table + body


def matrix_profile(name, parametric=False):
    """Matrix profile of one of `SPACES`; with ``parametric`` in version 4 layout (sRGB curve only)."""
    primaries, white, gamma = SPACES[name]
    columns = primaries_matrix(primaries, white).T
    curve = _tag_parametric_srgb() if parametric else _tag_curve(gamma)
    text = _tag_localised(f"test {name}") if parametric else _tag_text(f"test {name}")
    tags = {"desc": text, "wtpt": _tag_xyz(D50_WHITE), "cprt": b"text\0\0\0\0CC0\0"}
    tags |= {f"{letter}XYZ": _tag_xyz(column) for letter, column in zip("rgb", columns, strict=True)}
    tags |= {f"{letter}TRC": curve for letter in "rgb"}
    return profile(tags, version=0x04200000 if parametric else 0x02400000)


def grey_profile(gamma):
    """Grey profile with one curve."""
    return profile({"desc": _tag_text("test grey"), "wtpt": _tag_xyz(D50_WHITE), "kTRC": _tag_curve(gamma)}, space="GRAY")


def encode_into(linear, name):
    """
    Codes of linear sRGB light in one of `SPACES`.

    Parameters
    ----------
    linear : (..., 3) ndarray
        Within the gamut of the space.

    Returns
    -------
    (..., 3) ndarray of float, 0 to 1
    """
    from catalogue_audit.pixels.colour import LINEAR_TO_XYZ, srgb_encode

    primaries, white, gamma = SPACES[name]
    device = np.clip(linear @ LINEAR_TO_XYZ.T @ np.linalg.inv(primaries_matrix(primaries, white)).T, 0, 1)
    return srgb_encode(device) if gamma == "sRGB" else device ** (1 / gamma)


def grey_table_profile():
    """Grey profile whose lut8 table says L* = 100 code / 255 (ICC.1:2010 10.9)."""
    identity = b"".join(struct.pack(">i", 65536 * (index % 4 == 0)) for index in range(9))
    table = b"mft1\0\0\0\0" + bytes((1, 3, 2, 0)) + identity + bytes(range(256)) + bytes((0, 128, 128, 255, 128, 128))
    tags = {"desc": _tag_text("test grey table"), "wtpt": _tag_xyz(D50_WHITE), "A2B0": table + bytes(range(256)) * 3}
    return profile(tags | {"cprt": b"text\0\0\0\0CC0\0"}, space="GRAY", pcs="Lab ", device_class="scnr")
