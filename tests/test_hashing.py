"""The perceptual hash against imagehash, on photographs and made pictures."""

import io

import cv2
import imagehash
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from making_files import photograph, photographs, save, scene
from PIL import Image, ImageOps

from catalogue_audit.measures.hashing import hash_distance, hash_text, phash64
from catalogue_audit.metadata.container import read_container
from catalogue_audit.metadata.exif import read_exif
from catalogue_audit.pixels.decode import decode

FLAT = ("Sony DSC-P12.jpg",)  # a black frame


def ours(data):
    container = read_container(data)
    orientation = read_exif(data, container["format"]).get("orientation")
    return phash64(decode(data, container, orientation).working)


def ordinary(data):
    """imagehash of the file read the ordinary way: upright, on white."""
    with Image.open(io.BytesIO(data)) as stored:
        picture = ImageOps.exif_transpose(stored)
        if picture.mode == "RGBA":
            canvas = Image.new("RGBA", picture.size, "white")
            canvas.alpha_composite(picture)
            picture = canvas.convert("RGB")
        return str(imagehash.phash(picture))


@pytest.mark.parametrize("name", [name for name in photographs() if name not in ("truncated_jpeg.jpg", *FLAT)])
def test_the_hash_of_a_photograph_equals_imagehash(name):
    # none of these is reduced before hashing (long side at most 1500 px)
    assert hash_text(ours(photograph(name))) == ordinary(photograph(name))


def test_a_reduced_picture_keeps_its_hash_within_two_bits():
    distances = []
    for name in photographs():
        if name in ("truncated_jpeg.jpg", "pil_sample_cmyk.jpg", "saleor-sunnies.png", *FLAT):
            continue
        with Image.open(io.BytesIO(photograph(name))) as stored:
            large = np.asarray(stored.convert("RGB").resize((2000, 1500), Image.Resampling.BICUBIC))
        data = save(large, "JPEG", quality=95)
        distances.append(hash_distance(ours(data), int(ordinary(data), 16)))
    assert len(distances) >= 12
    assert np.median(distances) == 0
    assert max(distances) <= 2


# The test pictures of the reference pack's bag: formulas over x, y of 256 x 256, integer codes.
def _bag(body=(120, 60, 40)):
    y, x = np.mgrid[:256, :256]
    pixels = np.full((256, 256, 3), 245, np.uint8)
    ring = (x - 128) ** 2 + (y - 96) ** 2
    pixels[(ring >= 40**2) & (ring <= 52**2) & (y < 96)] = (60, 30, 20)
    pixels[(x >= 64) & (x <= 191) & (y >= 96) & (y <= 223)] = body
    return pixels


@pytest.mark.parametrize("body", [(120, 60, 40), (30, 60, 150), (190, 130, 80)])
def test_the_hash_of_a_made_bag_equals_imagehash(body):
    assert hash_text(phash64(_bag(body))) == str(imagehash.phash(Image.fromarray(_bag(body))))


@pytest.mark.parametrize("quality", [40, 75, 95])
def test_saving_again_hardly_moves_the_hash(quality):
    again = cv2.imdecode(np.frombuffer(save(_bag(), "JPEG", quality=quality), np.uint8), cv2.IMREAD_COLOR_RGB)
    assert hash_distance(phash64(_bag()), phash64(again)) <= 2


def test_a_flat_picture_has_no_hash():
    assert phash64(np.full((200, 300, 3), 255, np.uint8)) is None
    noisy = np.random.default_rng(0).normal(240, 2, (800, 900, 3)).astype(np.uint8)
    assert phash64(noisy) is None
    assert ours(photograph("Sony DSC-P12.jpg")) is None


def test_a_faint_product_on_white_still_has_one():
    picture = np.full((800, 800, 3), 250, np.uint8)
    picture[300:500, 200:600] = 235
    assert phash64(picture) is not None


def test_grey_and_colour_arrays_of_one_picture_agree():
    grey = scene(300, 400)[..., 1]
    assert phash64(grey) == phash64(np.dstack([grey] * 3))


@given(st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1))
def test_distance_is_that_of_imagehash(first, second):
    expected = imagehash.hex_to_hash(hash_text(first)) - imagehash.hex_to_hash(hash_text(second))
    assert hash_distance(first, second) == expected


def test_no_hash_has_no_text_and_no_distance():
    assert hash_text(None) == ""
    assert hash_distance(None, 3) is None
