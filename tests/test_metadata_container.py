"""Containers told by their bytes: facts, limits, refusals in plain words."""

import io
import struct
import time
import zlib

import numpy as np
import pytest
from making_files import heic, photograph, photographs, save, scene, with_segment
from making_profiles import matrix_profile
from PIL import Image

from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.metadata.container import read_container


@pytest.mark.parametrize("name", photographs())
def test_size_and_sampling_equal_what_pillow_says(name):
    facts = read_container(photograph(name))
    if name == "truncated_jpeg.jpg":
        assert not facts["complete"]
    with Image.open(io.BytesIO(photograph(name))) as picture:
        assert (facts["width_px"], facts["height_px"]) == picture.size
        assert facts["format"] == {"MPO": "JPEG"}.get(picture.format, picture.format)
        if facts["format"] == "JPEG":
            natural = {number: tuple(table) for number, table in picture.quantization.items()}
            assert facts["quantisation"] == natural
            assert facts["progressive"] == bool(picture.info.get("progressive"))


@pytest.mark.parametrize(("option", "name"), [(0, "4:4:4"), (1, "4:2:2"), (2, "4:2:0")])
def test_chroma_subsampling_has_its_usual_name(option, name):
    # H and V of the frame header, ITU-T T.81 B.2.2; Pillow's option numbers.
    assert read_container(save(scene(), "JPEG", subsampling=option))["chroma_subsampling"] == name


def test_a_grey_jpeg_has_no_chroma_subsampling():
    facts = read_container(save(scene()[..., 0], "JPEG"))
    assert (facts["components"], facts["chroma_subsampling"]) == (1, None)


def test_inks_without_a_profile_are_not_called_as_an_rgb_file_without_one():
    inks = Image.fromarray(scene()).convert("CMYK")
    told = [read_container(save(picture, "JPEG"))["colour_profile"] for picture in (scene(), inks)]
    assert told == ["none", "untagged CMYK"]


@pytest.mark.parametrize("format", ["JPEG", "PNG", "TIFF", "WebP"])
def test_the_profile_is_described_in_every_format(format):
    data = save(scene(), format, icc_profile=matrix_profile("Display P3"))
    facts = read_container(data)
    assert facts["colour_profile"] == "test Display P3"
    assert facts["icc"] == matrix_profile("Display P3")
    assert read_container(save(scene(), format))["colour_profile"] == "none"


def test_a_version_4_profile_is_described_too():
    data = save(scene(), "JPEG", icc_profile=matrix_profile("sRGB", parametric=True))
    assert read_container(data)["colour_profile"] == "test sRGB"


def test_a_damaged_profile_is_a_note_not_a_refusal():
    facts = read_container(save(scene(), "JPEG", icc_profile=b"not a profile"))
    assert facts["colour_profile"] == "damaged"
    assert any("profile is damaged" in reason for reason in facts["reasons"])


def test_a_heic_file_is_read():
    facts = read_container(heic("upright"))
    assert (facts["format"], facts["width_px"], facts["height_px"]) == ("HEIC", 288, 360)


@pytest.mark.parametrize(
    ("picture", "format", "depth", "alpha"),
    [
        (Image.fromarray(np.zeros((4, 5), np.uint16)), "PNG", 16, False),
        (Image.fromarray(np.zeros((4, 5), np.uint16)), "TIFF", 16, False),
        (Image.new("RGBA", (5, 4)), "PNG", 8, True),
        (Image.new("RGBA", (5, 4)), "TIFF", 8, True),
        (Image.new("RGBA", (5, 4)), "WebP", 8, True),
        (Image.new("LA", (5, 4)), "PNG", 8, True),
        (Image.new("P", (5, 4)), "PNG", 8, False),
        (Image.new("1", (5, 4)), "PNG", 1, False),
    ],
)
def test_depth_and_transparency_are_told(picture, format, depth, alpha):
    facts = read_container(save(picture, format))
    assert (facts["width_px"], facts["height_px"], facts["bit_depth"], facts["has_alpha"]) == (5, 4, depth, alpha)


def test_a_lossless_webp_tells_its_size():
    facts = read_container(save(scene(33, 47), "WebP", lossless=True))
    assert (facts["width_px"], facts["height_px"]) == (47, 33)


@pytest.mark.parametrize("format", ["TIFF", "WebP", "PNG"])
def test_several_frames_are_counted(format):
    frames = [Image.fromarray(scene(seed=seed)) for seed in range(3)]
    data = save(frames[0], format, save_all=True, append_images=frames[1:])
    assert read_container(data)["frames"] == 3


def test_a_stereo_file_holds_two_pictures_of_equal_standing():
    assert read_container(photograph("frozenpond.mpo"))["frames"] == 2


# -- refusals --------------------------------------------------------------------------------------

REFUSED = {
    "empty": (b"", "empty"),
    "pdf": (b"%PDF-1.7\n", "PDF"),
    "gif": (b"GIF89a" + bytes(20), "GIF"),
    "bmp": (b"BM" + bytes(60), "BMP"),
    "eps": (b"%!PS-Adobe-3.0 EPSF-3.0\n", "PostScript"),
    "psd": (b"8BPS" + bytes(30), "Photoshop"),
    "zip": (b"PK\x03\x04" + bytes(30), "ZIP"),
    "svg": (b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"/>', "SVG"),
    "html": (b"<!DOCTYPE html><html>", "web page"),
    "text": (b"please see the other folder\n", "text"),
    "zeros": (bytes(5000), "zero bytes"),
    "avif": (struct.pack(">I4s4sI4s", 24, b"ftyp", b"avif", 0, b"mif1") + bytes(40), "AVIF"),
    "avif as mif1": (struct.pack(">I4s4sI4s", 20, b"ftyp", b"mif1", 0, b"avif") + bytes(40), "AVIF"),
    "video": (struct.pack(">I4s4s", 24, b"ftyp", b"isom") + bytes(40), "video"),
    "raw": (b"II*\0\x10\0\0\0CR\x02\0" + bytes(64), "raw"),
    "jpeg 2000": (b"\x00\x00\x00\x0cjP  \r\n\x87\n" + bytes(20), "JPEG 2000"),
    "jpeg xl": (b"\xff\x0a" + bytes(20), "JPEG XL"),
    "side file": (b"\x00\x05\x16\x07" + bytes(70), "side file"),
    "program": (b"\x7fELF" + bytes(60), "program"),
    "start only": (b"\xff\xd8\xff", "header"),
    "noise": (bytes(np.random.default_rng(0).integers(0, 256, 500, dtype=np.uint8)), "no picture format"),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_what_is_no_picture_is_refused_with_what_it_is_and_what_to_ask_for(kind):
    data, word = REFUSED[kind]
    with pytest.raises(UnreadablePicture, match=word) as refusal:
        read_container(data)
    assert "ask for" in str(refusal.value)


def _with_frame_marker(data, marker):
    at = data.index(b"\xff\xc0")
    return data[:at] + bytes((0xFF, marker)) + data[at + 2 :]


@pytest.mark.parametrize(("marker", "word"), [(0xC9, "arithmetic"), (0xC3, "lossless"), (0xC5, "hierarchical")])
def test_jpeg_codings_that_nobody_can_show_are_refused(marker, word):
    with pytest.raises(UnreadablePicture, match=word):
        read_container(_with_frame_marker(save(scene(), "JPEG"), marker))


def test_a_bomb_is_refused_by_its_declared_size_at_once():
    header = struct.pack(">IIBBBBB", 100_000, 100_000, 8, 2, 0, 0, 0)
    chunk = struct.pack(">I", 13) + b"IHDR" + header + struct.pack(">I", zlib.crc32(b"IHDR" + header))
    started = time.process_time()
    with pytest.raises(UnreadablePicture, match="100000 x 100000"):
        read_container(b"\x89PNG\r\n\x1a\n" + chunk)
    assert time.process_time() - started < 1


def test_the_limit_on_pixels_is_the_callers():
    data = save(scene(60, 90), "JPEG")
    assert read_container(data, max_pixels=5400)["format"] == "JPEG"
    with pytest.raises(UnreadablePicture, match="limit"):
        read_container(data, max_pixels=5399)


def test_thousands_of_scans_are_refused():
    data = save(scene(), "JPEG", progressive=True)
    last = data.rindex(b"\xff\xda")
    with pytest.raises(UnreadablePicture, match="scans"):
        read_container(data[:-2] + data[last:-2] * 3000 + data[-2:])


def test_thousands_of_header_segments_are_refused():
    data = save(scene(), "JPEG")
    with pytest.raises(UnreadablePicture, match="segments"):
        read_container(data[:2] + b"\xff\xfe\x00\x02" * 100_000 + data[2:])


def test_a_profile_that_unpacks_without_end_is_cut_off():
    packed = zlib.compress(bytes(200_000_000), 9)
    body = b"iCCP" + b"x\0\0" + packed
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    data = save(scene(), "PNG")
    facts = read_container(data[:33] + chunk + data[33:])
    assert facts["colour_profile"] == "damaged"
    assert len(facts["icc"]) <= 16 * 2**20


def test_a_second_profile_chunk_out_of_order_is_put_right_or_called_damaged():
    data = save(scene(), "JPEG")
    profile = matrix_profile("Adobe RGB")
    first, second = profile[:300], profile[300:]
    for number, part in ((1, first), (2, second)):  # inserted in front, so number 2 comes first in the file
        data = with_segment(data, 0xE2, b"ICC_PROFILE\0" + bytes((number, 2)) + part)
    assert read_container(data)["icc"] == profile
    missing = with_segment(save(scene(), "JPEG"), 0xE2, b"ICC_PROFILE\0\x02\x02" + second)
    assert read_container(missing)["colour_profile"] == "damaged"
