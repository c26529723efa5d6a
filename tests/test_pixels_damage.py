"""Damaged files: what is proven, what cannot be, and that nothing else than a refusal escapes."""

import warnings

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from making_files import photograph, photographs, save, scene

from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.metadata.container import read_container
from catalogue_audit.metadata.exif import read_exif
from catalogue_audit.metadata.jpeg import read_header
from catalogue_audit.metadata.rights import read_rights
from catalogue_audit.pixels.damage import coding_step
from catalogue_audit.pixels.decode import decode


def read(data):
    return decode(data, read_container(data))


def refused(data):
    try:
        read(data)
    except UnreadablePicture as refusal:
        assert "ask for" in str(refusal)
        return True
    return False


WHOLE = [name for name in photographs() if name.endswith(".jpg") and name != "truncated_jpeg.jpg"]


@pytest.mark.parametrize("name", WHOLE)
def test_a_jpeg_without_its_last_two_bytes_has_every_pixel(name):
    data = photograph(name)
    data = data[: data.rindex(b"\xff\xd9")]
    picture = read(data)
    assert np.array_equal(picture.encoded, read(photograph(name)).encoded)
    assert "the JPEG lacks its end marker, but every pixel is there" in picture.notes


def test_half_an_end_marker_is_none():
    picture = read(photograph("truncated_jpeg.jpg"))
    assert any("every pixel" in note for note in picture.notes)


@pytest.mark.parametrize("name", WHOLE)
@pytest.mark.parametrize("share", [0.5, 0.9, 0.99])
def test_a_cut_jpeg_is_refused(name, share):
    data = photograph(name)
    end = data.rindex(b"\xff\xd9")
    start = read_header(data).scan
    assert refused(data[: start + int((end - start) * share)])


@pytest.mark.parametrize("name", [name for name in WHOLE if name != "Sony DSC-P12.jpg"])
def test_a_jpeg_without_its_last_eight_bytes_of_picture_is_refused(name):
    data = photograph(name)
    assert refused(data[: data.rindex(b"\xff\xd9") - 8])


def test_stray_bytes_in_the_header_are_skipped_with_a_note():
    container = read_container(photograph("junk_jpeg_header.jpg"))
    assert container["junk"]
    assert decode(photograph("junk_jpeg_header.jpg"), container).encoded.shape == (768, 1024, 3)


@pytest.mark.parametrize("format", ["PNG", "TIFF", "WebP"])
@pytest.mark.parametrize("share", [0.3, 0.7, 0.97])
def test_cut_files_of_other_formats_are_refused(format, share):
    data = save(scene(300, 400), format)
    assert refused(data[: int(len(data) * share)])


def _overwrite(data, start, kind, size, rng):
    filler = {
        "random": rng.integers(0, 256, size, dtype=np.uint8).tobytes(),
        "zeros": bytes(size),
        "text": (b"GET /picture.jpg HTTP/1.1 " * (size // 26 + 1))[:size],
    }[kind]
    return data[:start] + filler + data[start + size :]


@pytest.mark.parametrize("kind", ["random", "zeros", "text"])
def test_most_overwrites_of_a_disk_block_are_proven(kind):
    """What remains cannot be proven: a JPEG has no checksum, and some damage keeps the number of blocks."""
    rng = np.random.default_rng(11)
    found = []
    for name in ("Kodak DC240.jpg", "flower.jpg", "Sony DCR-PC110.jpg", "junk_jpeg_header.jpg", "FujiFilm FinePix40i.jpg"):
        data = photograph(name)
        for start in rng.integers(len(data) // 2, data.rindex(b"\xff\xd9") - 600, 12):
            found.append(refused(_overwrite(data, int(start), kind, 512, rng)))
    assert np.mean(found) >= 0.8, np.mean(found)


def _studio(seed, height=900, width=1200):
    """Product on a smooth backdrop with sensor noise."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width]
    pixels = np.stack([235 - 30 * ((x - width / 2) ** 2 + (y - height / 2) ** 2) / width**2] * 3, -1)
    product = (abs(x - width / 2) < 260) & (abs(y - 500) < 230)
    pixels[product] = np.array([120, 70, 40]) + rng.normal(0, 8, (product.sum(), 1))
    return np.clip(pixels + rng.normal(0, 1.5, pixels.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("subsampling", [0, 1, 2])
def test_a_step_in_the_order_of_the_blocks_is_seen(subsampling):
    block = {0: (8, 8), 1: (8, 16), 2: (16, 16)}[subsampling]
    data = save(_studio(subsampling), "JPEG", quality=90, subsampling=subsampling)
    assert read_container(data)["coded_block"] == block
    pixels = read(data).encoded.astype(int)
    row, column = 20, 30  # in units; every unit from here on is darker by 8 codes, as after damage
    pixels[row * block[0] : (row + 1) * block[0], column * block[1] :] -= 8
    pixels[(row + 1) * block[0] :] -= 8
    assert coding_step(pixels.clip(0, 255).astype(np.uint8), block)


def test_some_of_the_damage_that_the_decoder_passes_in_silence_is_noted():
    data, rng = save(_studio(2), "JPEG", quality=80), np.random.default_rng(3)
    first, last = read_header(data).scan + 40, len(data) - 60
    notes = []
    for start in rng.integers(first, last, 60):
        damaged = _overwrite(data, int(start), "random", 16, rng)
        if not refused(damaged):
            notes.append(any("tone shifts" in note for note in read(damaged).notes))
    assert len(notes) >= 10
    assert np.mean(notes) >= 0.3, np.mean(notes)


def test_real_edges_are_no_sign_of_damage():
    """A table's edge along the blocks, slightly tilted edges, gradients, checks and noise are pictures, not damage."""
    for seed in range(3):
        pixels = _studio(seed)
        for block in ((8, 8), (8, 16), (16, 16)):
            assert not coding_step(pixels, block)
            for start, end in ((0, 1), (0.07, 1), (0.3, 1), (0, 0.9), (0.5, 1)):
                edge = pixels.astype(int)
                edge[30 * block[0] :, int(start * 1200) : int(end * 1200)] -= 40
                assert not coding_step(edge.clip(0, 255).astype(np.uint8), block)
    y, x = np.mgrid[:960, :960]
    pictures = [((y - x * slope) % 400 < 200) * 200 for slope in (0.002, 0.008, 0.017, 0.1)]
    pictures += [y % 256, (x + y) % 256, 255 * ((x // 16 + y // 16) % 2), 255 * (y // 16 % 2), x % 256]
    for picture in pictures:
        codes = np.dstack([picture.astype(np.uint8)] * 3)
        for block in ((8, 8), (8, 16), (16, 16)):
            assert not coding_step(codes, block)


@pytest.mark.parametrize("name", WHOLE)
def test_photographs_show_no_such_step(name):
    pixels = read(photograph(name)).encoded
    assert not any(coding_step(pixels, block) for block in ((8, 8), (8, 16), (16, 16)))


# -- fuzzing ---------------------------------------------------------------------------------------

SAMPLES = {
    "photograph": photograph("FujiFilm FinePix40i.jpg"),
    "progressive": save(scene(), "JPEG", progressive=True),
    "cmyk": photograph("pil_sample_cmyk.jpg"),
    "stray bytes": photograph("junk_jpeg_header.jpg")[:3000],
    "PNG": save(scene(), "PNG"),
    "TIFF": save(scene(), "TIFF", compression="tiff_lzw"),
    "WebP": save(scene(), "WebP"),
    "lossless WebP": save(scene(), "WebP", lossless=True),
}


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@pytest.mark.parametrize("kind", SAMPLES)
@given(choices=st.data())
def test_random_damage_ends_in_a_picture_or_a_refusal(kind, choices):
    data = bytearray(SAMPLES[kind])
    reach = min(len(data), choices.draw(st.sampled_from((64, 700, 10**9)))) - 1  # headers as often as pixels
    for _ in range(choices.draw(st.integers(0, 6))):
        data[choices.draw(st.integers(0, reach))] = choices.draw(st.integers(0, 255))
    data = bytes(data[: choices.draw(st.integers(0, len(data)))]) if choices.draw(st.booleans()) else bytes(data)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            container = read_container(data, max_pixels=2_000_000)
            facts = read_exif(data, container["format"], (container["width_px"], container["height_px"]))
            read_rights(data, container["format"])
            picture = decode(data, container, facts.get("orientation"))
        except UnreadablePicture as refusal:
            assert "ask for" in str(refusal)
        else:
            assert picture.encoded.dtype == np.uint8
            assert np.isfinite(picture.lab).all()


@pytest.mark.parametrize("depth", [8, 16])
def test_an_overwritten_png_is_refused_by_its_checksums(depth):
    pixels = scene(300, 400)
    data = save(pixels, "PNG") if depth == 8 else cv2.imencode(".png", pixels.astype(np.uint16) * 257)[1].tobytes()
    assert not refused(data)
    for share in (0.2, 0.5, 0.8):
        at = int(len(data) * share)
        assert refused(data[:at] + bytes((data[at] ^ 1,)) + data[at + 1 :])


@pytest.mark.parametrize("extension", [".png", ".tif"])
@pytest.mark.parametrize("share", [0.3, 0.9, 0.99])
def test_cut_sixteen_bit_files_are_refused_in_silence(extension, share, capfd):
    data = cv2.imencode(extension, scene(300, 400).astype(np.uint16) * 257)[1].tobytes()
    assert refused(data[: int(len(data) * share)])
    assert capfd.readouterr() == ("", "")
