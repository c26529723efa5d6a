"""Every supported kind of file reaches the same upright picture."""

import io
import struct

import cv2
import numpy as np
import pytest
from making_files import exif_block, heic, photograph, photographs, save, scene, short_field, with_exif
from PIL import Image, ImageOps

from catalogue_audit.metadata.container import read_container
from catalogue_audit.metadata.exif import read_exif
from catalogue_audit.pixels.colour import lab_from_linear, srgb_decode
from catalogue_audit.pixels.decode import decode, upright
from catalogue_audit.pixels.encode import preview_jpeg, thumbnail


def read(data, orientation=1, buffer=None):
    return decode(data, read_container(data), orientation, buffer)


def on_white(picture):
    """Pillow's own way onto white."""
    canvas = Image.new("RGBA", picture.size, "white")
    canvas.alpha_composite(picture.convert("RGBA"))
    return np.asarray(canvas.convert("RGB"))


@pytest.mark.parametrize("name", [name for name in photographs() if name not in ("truncated_jpeg.jpg", "pil_sample_cmyk.jpg")])
def test_full_resolution_pixels_equal_pillows(name):
    picture = read(photograph(name))
    with Image.open(io.BytesIO(photograph(name))) as reference:
        expected = on_white(reference) if reference.mode == "RGBA" else np.asarray(reference.convert("RGB"))
    assert np.abs(picture.encoded.astype(int) - expected).max() <= 1


@pytest.mark.parametrize("name", photographs())
def test_the_three_working_arrays_say_the_same(name):
    picture = read(photograph(name))
    height, width = picture.working.shape[:2]
    assert picture.linear.shape == picture.lab.shape == picture.working.shape == (height, width, 3)
    assert picture.encoded.shape[0] // picture.reduction == height
    assert picture.encoded.shape[1] // picture.reduction == width
    assert (picture.linear.dtype, picture.lab.dtype, picture.working.dtype) == (np.float32, np.float32, np.uint8)
    assert np.allclose(picture.linear, srgb_decode(picture.working / 255), atol=1e-6)
    exact = lab_from_linear(picture.linear)
    assert np.abs(picture.lab - exact)[..., 0].max() < 0.01
    assert np.abs(picture.lab - exact).max() < 0.07


@pytest.mark.parametrize(
    ("size", "reduction"),
    [((100, 80), 1), ((1200, 800), 1), ((1202, 800), 2), ((2399, 1801), 2), ((2401, 40), 2), ((2402, 40), 4), ((6000, 4000), 8)],
)
def test_the_working_picture_is_at_most_1200_pixels_long(size, reduction):
    picture = read(save(np.full((size[1], size[0], 3), 200, np.uint8), "PNG", compress_level=1))
    assert picture.reduction == reduction
    assert picture.working.shape == (size[1] // reduction, size[0] // reduction, 3)
    assert picture.grey.shape == (size[1] // picture.grey_reduction, size[0] // picture.grey_reduction)
    assert max(size) < 1500 or 750 <= max(picture.grey.shape) <= 1500


def test_a_picture_one_pixel_high_is_read():
    picture = read(save(np.full((1, 5000, 3), 90, np.uint8), "PNG"))
    assert picture.encoded.shape == (1, 5000, 3)
    assert read(save(np.full((1, 1, 3), 90, np.uint8), "JPEG")).working.shape == (1, 1, 3)


def test_reduction_is_the_mean_of_the_pixels():
    pixels = scene(1200, 1800)
    picture = read(save(pixels, "PNG", compress_level=1))
    means = pixels.reshape(600, 2, 900, 2, 3).mean((1, 3))
    assert np.abs(picture.working - means).max() <= 0.51


# -- orientation -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("orientation", "expected"),
    [
        (1, [[1, 2, 3], [4, 5, 6]]),
        (2, [[3, 2, 1], [6, 5, 4]]),
        (3, [[6, 5, 4], [3, 2, 1]]),
        (4, [[4, 5, 6], [1, 2, 3]]),
        (5, [[1, 4], [2, 5], [3, 6]]),
        (6, [[4, 1], [5, 2], [6, 3]]),
        (7, [[6, 3], [5, 2], [4, 1]]),
        (8, [[3, 6], [2, 5], [1, 4]]),
    ],
)
def test_each_orientation_turns_as_the_standard_says(orientation, expected):
    # CIPA DC-008 (Exif) 4.6.4 A, Orientation: where stored row 0 and column 0 lie.
    stored = np.array([[1, 2, 3], [4, 5, 6]], np.uint8)
    assert upright(stored, orientation).tolist() == expected


@pytest.mark.parametrize("format", ["JPEG", "PNG", "TIFF", "WebP"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_upright_pixels_equal_pillows_transposition(format, orientation):
    tags = Image.Exif()
    tags[0x0112] = orientation
    options = {"quality": 95} if format == "JPEG" else {"lossless": True} if format == "WebP" else {}
    data = save(scene(), format, exif=tags.tobytes(), **options)
    facts = read_exif(data, format)
    assert facts["orientation"] == orientation
    picture = read(data, facts["orientation"])
    with Image.open(io.BytesIO(data)) as stored:
        expected = np.asarray(ImageOps.exif_transpose(stored).convert("RGB"))
    assert picture.encoded.shape == expected.shape
    assert np.abs(picture.encoded.astype(int) - expected).max() <= 1


def test_a_turned_heic_file_is_turned_once():
    upright_picture, data = read(heic("upright")), heic("turned")
    facts, container = read_exif(data, "HEIC"), read_container(data)
    assert facts["orientation"] == 1
    picture = decode(data, container, facts["orientation"])
    assert picture.encoded.shape[:2] == (container["height_px"], container["width_px"])
    assert np.array_equal(picture.encoded, np.rot90(upright_picture.encoded, -1))  # orientation 6: a quarter turn clockwise


@pytest.mark.parametrize("orientation", [None, 0, 9, 65535])
def test_an_impossible_orientation_is_none(orientation):
    data = save(scene(), "PNG")
    assert np.array_equal(read(data, orientation).encoded, read(data, 1).encoded)


def test_an_orientation_of_zero_in_the_file_is_unknown():
    data = with_exif(save(scene(), "JPEG"), exif_block([short_field(0x0112, 0)]))
    assert "orientation" not in read_exif(data, "JPEG")


# -- kinds of pixels -------------------------------------------------------------------------------


@pytest.mark.parametrize("format", ["PNG", "TIFF"])
def test_sixteen_bit_colour_is_scaled_not_cut(format):
    deep = np.rint(scene().astype(float) * 257 + np.random.default_rng(1).integers(-128, 128, (60, 90, 3))).clip(0, 65535)
    done, data = cv2.imencode({"PNG": ".png", "TIFF": ".tif"}[format], deep.astype(np.uint16)[..., ::-1])
    assert done
    data = data.tobytes()
    assert read_container(data)["bit_depth"] == 16
    assert np.array_equal(read(data).encoded, np.rint(deep / 257).astype(np.uint8))


@pytest.mark.parametrize("format", ["PNG", "TIFF"])
def test_sixteen_bit_grey_is_scaled_not_clipped(format):
    deep = np.linspace(0, 65535, 60 * 90).reshape(60, 90).astype(np.uint16)
    picture = read(save(Image.fromarray(deep), format))
    assert np.array_equal(picture.encoded[..., 0], np.rint(deep / 257).astype(np.uint8))
    assert np.array_equal(picture.encoded[..., 0], picture.encoded[..., 2])


def test_sixteen_bits_with_transparency_keep_both():
    deep = np.dstack([scene(), np.full((60, 90), 128, np.uint8)]).astype(np.uint16) * 257
    done, data = cv2.imencode(".png", deep[..., [2, 1, 0, 3]])
    assert done
    picture = read(data.tobytes())
    assert set(np.unique(picture.alpha)) == {128}
    expected = 255 - (255 - scene().astype(float)) * 128 / 255
    assert np.abs(picture.encoded - expected).max() <= 1


@pytest.mark.parametrize("format", ["PNG", "TIFF", "WebP"])
def test_colour_hidden_under_transparency_does_not_show(format):
    pixels = np.zeros((40, 60, 4), np.uint8)
    pixels[..., :3] = (255, 0, 255)  # hidden
    pixels[10:30, 20:40] = (30, 90, 60, 255)
    options = {"lossless": True, "exact": True} if format == "WebP" else {}
    picture = read(save(pixels, format, **options))
    assert tuple(picture.working[0, 0]) == tuple(picture.encoded[0, 0]) == (255, 255, 255)
    assert tuple(picture.working[20, 30]) == (30, 90, 60)
    assert picture.alpha[0, 0] == 0
    assert picture.alpha[20, 30] == 255


def test_half_transparency_equals_pillows_composite():
    pixels = np.dstack([scene(), np.tile(np.linspace(0, 255, 90).astype(np.uint8), (60, 1))])
    picture = read(save(pixels, "PNG"))
    assert np.abs(picture.encoded.astype(int) - on_white(Image.fromarray(pixels))).max() <= 1


def test_opaque_alpha_is_no_alpha():
    assert read(save(np.dstack([scene(), np.full((60, 90), 255, np.uint8)]), "PNG")).alpha is None


def test_a_palette_with_a_transparent_entry_is_composited():
    picture = Image.new("P", (3, 3))
    picture.putdata([0, 1, 2] * 3)
    picture.putpalette([255, 0, 0, 0, 255, 0, 0, 0, 255])
    read_back = read(save(picture, "PNG", transparency=1))
    assert read_back.encoded[0].tolist() == [[255, 0, 0], [255, 255, 255], [0, 0, 255]]
    assert read_back.alpha[0].tolist() == [255, 0, 255]


@pytest.mark.parametrize("mode", ["L", "LA", "1", "P", "RGB", "RGBA"])
def test_every_mode_of_png_gives_what_pillow_shows(mode):
    source = Image.fromarray(scene()).convert(mode)
    picture = read(save(source, "PNG"))
    assert np.abs(picture.encoded.astype(int) - on_white(source)).max() <= 1


def test_a_cmyk_jpeg_without_a_profile_is_read_with_a_note():
    picture = read(photograph("pil_sample_cmyk.jpg"))
    with Image.open(io.BytesIO(photograph("pil_sample_cmyk.jpg"))) as reference:
        expected = np.asarray(reference.convert("RGB"))
    assert np.abs(picture.encoded.astype(int) - expected).max() <= 2
    assert any("CMYK" in note for note in picture.notes)


def test_a_ycck_jpeg_is_read_as_pillow_reads_it():
    # Adobe's APP14 with transform 2 in front turns Pillow's CMYK file into YCCK (ITU-T T.872 6.5.3).
    plain = save(Image.fromarray(scene()).convert("CMYK"), "JPEG", quality=95)
    at = plain.index(b"Adobe")
    data = plain[: at + 11] + b"\x02" + plain[at + 12 :]
    assert read_container(data)["colour_transform"] == 2
    with Image.open(io.BytesIO(data)) as reference:
        expected = np.asarray(reference.convert("RGB"))
    assert np.abs(read(data).encoded.astype(int) - expected).max() <= 3


@pytest.mark.parametrize(("mode", "transform"), [("RGB", 2), ("RGB", 7), ("CMYK", 1), ("CMYK", 9)])
def test_a_colour_coding_that_no_standard_knows_is_read_as_luma_and_chroma_with_a_note(mode, transform):
    data = save(Image.fromarray(scene()).convert(mode), "JPEG", quality=95)
    if mode == "RGB":  # in the place of the JFIF segment, which would decide
        data = data[:2] + b"\xff\xee\x00\x0eAdobe\x00\x64\x00\x00\x00\x00" + bytes([transform]) + data[20:]
    known, unknown = (data[: data.index(b"Adobe") + 11] + bytes([number]) + data[data.index(b"Adobe") + 12 :] for number in ({"RGB": 1, "CMYK": 2}[mode], transform))
    picture, expected = read(unknown), read(known)
    assert np.array_equal(picture.encoded, expected.encoded)
    assert [note for note in picture.notes if note not in expected.notes] == [
        "the file names its colour coding in a way that no standard knows; it was read as other programs read it: look at its colours"
    ]


def test_the_first_of_several_pictures_is_measured_with_a_note():
    frames = [Image.fromarray(scene(seed=seed)) for seed in range(3)]
    data = save(frames[0], "TIFF", save_all=True, append_images=frames[1:])
    picture = read(data)
    assert np.array_equal(picture.encoded, scene(seed=0))
    assert picture.notes == ("the file holds 3 pictures; the first one was measured",)


@pytest.mark.parametrize("compression", ["raw", "tiff_lzw", "tiff_adobe_deflate", "packbits"])
def test_tiff_compressions_are_read(compression):
    assert np.array_equal(read(save(scene(), "TIFF", compression=compression)).encoded, scene())


# -- the buffer ------------------------------------------------------------------------------------


def test_a_reused_buffer_gives_the_same_and_never_leaks_into_the_working_picture():
    first, second = save(scene(), "JPEG", quality=95), save(255 - scene(), "JPEG", quality=95)
    buffer = bytearray(60 * 90 * 3 + 1000)
    picture = read(first, buffer=buffer)
    kept = picture.working.copy()
    assert np.array_equal(picture.encoded, read(first).encoded)
    read(second, buffer=buffer)
    assert np.array_equal(picture.working, kept)
    assert np.array_equal(read(first, buffer=bytearray(10)).encoded, read(first).encoded)


# -- small copies ----------------------------------------------------------------------------------


def test_preview_and_thumbnail_are_small_and_upright():
    picture = read(save(scene(1200, 1800), "JPEG"), 6)
    small = thumbnail(picture)
    assert small.shape == (128, 85, 3)
    with Image.open(io.BytesIO(preview_jpeg(picture).tobytes())) as preview:
        assert preview.size == (427, 640)
        again = np.asarray(preview.resize((85, 128), Image.Resampling.BOX)).astype(int)
    assert np.abs(again - small).mean() < 3


def test_a_preview_is_never_enlarged():
    assert thumbnail(read(save(scene(30, 40), "PNG"))).shape == (30, 40, 3)


def test_equal_files_give_equal_preview_bytes():
    data = photograph("Kodak DC240.jpg")
    assert np.array_equal(preview_jpeg(read(data)), preview_jpeg(read(data)))


def test_nothing_but_the_picture_is_kept_of_a_file_with_trailing_bytes():
    data = save(scene(), "JPEG") + struct.pack("<1000I", *range(1000))
    assert np.array_equal(read(data).encoded, read(data[:-4000]).encoded)
