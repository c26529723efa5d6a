"""Profiles: the same picture saved in different spaces measures alike."""

import io

import numpy as np
import pytest
from making_files import save
from making_profiles import SPACES, encode_into, grey_profile, grey_table_profile, matrix_profile, profile
from PIL import Image, ImageCms

from catalogue_audit.metadata.container import read_container
from catalogue_audit.pixels.colour import ciede2000, lab_from_linear, linear_from_lab, srgb_decode
from catalogue_audit.pixels.decode import decode
from catalogue_audit.pixels.profiles import model_for

# Leather, canvas and backdrop colours (L*, a*, b*), all inside sRGB; our own choice.
PATCHES = np.array([
    (95, 0, 0), (90, 0.5, 2), (70, 0, 0), (50, 0, 0), (30, 0, 0), (12, 0, 0), (35, 18, 25), (55, 15, 35), (40, 45, 25),
    (60, -25, 20), (35, -5, -30), (75, 8, 60), (25, 5, -8), (65, 25, 5), (45, 30, -20), (80, -8, 8),
])  # fmt: skip


def painted(space):
    """The patches, 40 px squares with the noise of a camera, coded in a space."""
    linear = np.repeat(np.repeat(linear_from_lab(PATCHES).reshape(4, 4, 3), 40, 0), 40, 1)
    noisy = 255 * encode_into(linear, space) + np.random.default_rng(4).normal(0, 1, linear.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def measured(data):
    """Mean CIELAB of each patch."""
    picture = decode(data, read_container(data))
    blocks = picture.lab.reshape(4, 40, 4, 40, 3)[:, 4:36, :, 4:36]
    return blocks.mean((1, 3)).reshape(16, 3), picture


JPEG = {"format": "JPEG", "quality": 95, "subsampling": 0}


# ROMM RGB is never delivered as JPEG: its 8-bit steps, quantised once more, are 0.7 apart in the dark.
@pytest.mark.parametrize(
    ("space", "options"),
    [(space, {"format": "PNG"}) for space in SPACES] + [(space, JPEG) for space in SPACES if space != "ROMM RGB"],
)
def test_the_same_picture_measures_alike_in_every_space(space, options):
    lab, _ = measured(save(painted(space), icc_profile=matrix_profile(space), **options))
    assert ciede2000(lab, PATCHES).max() <= 0.5


def test_an_untagged_picture_is_read_as_srgb():
    lab, picture = measured(save(painted("sRGB"), "PNG"))
    assert ciede2000(lab, PATCHES).max() <= 0.5
    assert picture.notes == ()


def test_a_wide_gamut_picture_read_without_its_profile_would_be_wrong():
    lab, _ = measured(save(painted("Adobe RGB"), "PNG"))
    assert ciede2000(lab, PATCHES).max() > 3


@pytest.mark.parametrize("space", ["Adobe RGB", "Display P3", "ROMM RGB"])
def test_codes_equal_littlecms(space):
    codes = np.random.default_rng(7).integers(0, 256, (64, 64, 3), dtype=np.uint8)
    data = save(codes, "PNG", icc_profile=matrix_profile(space))
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(matrix_profile(space))), ImageCms.createProfile("sRGB"), "RGB", "RGB", 1
    )
    expected = np.asarray(ImageCms.applyTransform(Image.fromarray(codes), transform))
    difference = np.abs(decode(data, read_container(data)).working.astype(int) - expected)
    assert difference.max() <= 2  # littleCMS rounds to 8 bits by way of 16-bit tables
    assert difference.mean() < 0.05


@pytest.mark.parametrize(
    "data",
    [
        matrix_profile("sRGB"),
        matrix_profile("sRGB", parametric=True),
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(),
    ],
    ids=["table", "parametric", "built in"],
)
def test_profiles_equal_to_srgb_change_nothing(data):
    assert model_for(data, "RGB").identity


def test_a_wider_space_is_not_srgb():
    assert not any(model_for(matrix_profile(name), "RGB").identity for name in ("Adobe RGB", "Display P3", "ROMM RGB"))


def test_parametric_and_table_curves_agree():
    table, parametric = (model_for(matrix_profile("Display P3", parametric=kind), "RGB") for kind in (False, True))
    assert np.abs(table.curves - parametric.curves).max() < 2e-5
    assert np.abs(table.matrix - parametric.matrix).max() < 2e-4


@pytest.mark.parametrize("gamma", [1.8, 2.2])
def test_a_grey_profile_is_followed(gamma):
    grey = np.tile(np.arange(256, dtype=np.uint8), (8, 1))
    data = save(grey, "PNG", icc_profile=grey_profile(gamma))
    picture = decode(data, read_container(data))
    assert np.allclose(picture.linear[0, :, 1], (np.arange(256) / 255) ** gamma, atol=1e-3)
    assert np.abs(picture.lab[..., 1:]).max() < 0.07
    assert np.array_equal(picture.encoded[0, :, 0], grey[0])


@pytest.mark.parametrize("format", ["PNG", "JPEG"])
def test_a_profile_of_tables_is_followed_through_littlecms(format):
    grey = np.tile(np.repeat(np.arange(0, 256, 51, dtype=np.uint8), 8), (16, 1))
    data = save(grey, format, icc_profile=grey_table_profile(), **({"quality": 98} if format == "JPEG" else {}))
    picture = decode(data, read_container(data))
    assert np.abs(picture.lab[8, 4::8, 0] - (0, 20, 40, 60, 80, 100)).max() < 0.5  # L* = 100 code / 255 by its table
    assert np.abs(picture.lab[..., 1:]).max() < 0.3
    assert picture.notes == ()


def table_profile():
    """A profile with tables, for pixels in L*a*b* order of its own: made by littleCMS."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()


@pytest.mark.parametrize(
    "broken",
    [
        b"",
        b"no profile at all",
        matrix_profile("Adobe RGB")[:200],
        grey_profile(2.2),  # of another kind than the pixels
        profile({"desc": b"desc\0\0\0\0\0\0\0\1\0"}, space="CMYK"),
        profile({}, device_class="link"),
        profile({name: b"curv\0\0\0\0\xff\xff\xff\xff" for name in ("rTRC", "gTRC", "bTRC", "rXYZ", "gXYZ", "bXYZ")}),
        profile({}),
        table_profile(),
    ],
)
def test_a_broken_or_foreign_profile_is_read_as_srgb_with_a_note(broken):
    model = model_for(broken, "RGB")
    assert model.identity
    assert "read as sRGB" in model.note
    data = save(painted("sRGB"), "PNG", icc_profile=broken) if broken else None
    if data:
        lab, picture = measured(data)
        assert ciede2000(lab, PATCHES).max() <= 0.5
        assert any("read as sRGB" in note for note in picture.notes)


def test_cmyk_without_a_profile_keeps_white_and_black():
    inks = np.zeros((8, 8, 4), np.uint8)
    inks[4:, :, 3] = 255
    picture = Image.frombytes("CMYK", (8, 8), inks.tobytes())
    data = save(picture, "TIFF")
    codes = decode(data, read_container(data)).working
    assert codes[0, 0].tolist() == [255, 255, 255]
    assert codes[7, 0].tolist() == [0, 0, 0]


def test_colours_outside_srgb_keep_their_place_in_cielab():
    # The green primary of Display P3 lies outside sRGB: linear light is cut to 0..1, CIELAB is not.
    data = save(np.full((16, 16, 3), (0, 255, 0), np.uint8), "PNG", icc_profile=matrix_profile("Display P3"))
    picture = decode(data, read_container(data))
    device = srgb_decode(np.array([0, 1.0, 0]))
    primaries, white, _ = SPACES["Display P3"]
    from catalogue_audit.pixels.colour import lab_from_xyz, primaries_matrix

    expected = lab_from_xyz(primaries_matrix(primaries, white) @ device)
    assert ciede2000(picture.lab[0, 0], expected) < 0.2
    assert picture.linear.min() >= 0
    assert picture.linear.max() <= 1
    assert ciede2000(lab_from_linear(picture.linear[0, 0]), expected) > 1
