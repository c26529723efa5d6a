"""JPEG quality on the IJG scale."""

import numpy as np
import pytest
from making_files import photograph, save, scene

from catalogue_audit.metadata.container import read_container
from catalogue_audit.metadata.quality import CHROMINANCE, LUMINANCE, ijg_quality, ijg_table


@pytest.mark.parametrize("quality", range(1, 101))
def test_quality_of_files_written_with_the_ijg_tables_is_exact(quality):
    # Pillow writes with libjpeg-turbo, whose jcparam.c is the IJG's.
    assert read_container(save(scene(16, 16), "JPEG", quality=quality))["jpeg_quality"] == quality


def test_grey_files_are_exact_too():
    found = [read_container(save(scene(16, 16)[..., 0], "JPEG", quality=quality))["jpeg_quality"] for quality in range(1, 101)]
    assert found == list(range(1, 101))


@pytest.mark.parametrize(
    ("quality", "first_luminance", "luminance_sum", "first_chrominance", "chrominance_sum"),
    [
        (10, (80, 55, 50, 80), 12560, (85, 90, 120, 235), 15110),
        (50, (16, 11, 10, 16), 3688, (17, 18, 24, 47), 5505),
        (75, (8, 6, 5, 8), 1858, (9, 9, 12, 24), 2780),
        (92, (3, 2, 2, 3), 592, (3, 3, 4, 8), 891),
        (99, (1, 1, 1, 1), 86, (1, 1, 1, 1), 115),
    ],
)
def test_tables_follow_the_independent_jpeg_group(quality, first_luminance, luminance_sum, first_chrominance, chrominance_sum):
    # jcparam.c of libjpeg-turbo over ITU-T T.81 Annex K, tables K.1 and K.2.
    luminance, chrominance = ijg_table(LUMINANCE, quality), ijg_table(CHROMINANCE, quality)
    assert (tuple(luminance[:4]), luminance.sum()) == (first_luminance, luminance_sum)
    assert (tuple(chrominance[:4]), chrominance.sum()) == (first_chrominance, chrominance_sum)


@pytest.mark.parametrize(
    ("name", "quality", "apart"),
    [
        ("Kodak DC240.jpg", 90, 0),
        ("Canon PowerShot S330.jpg", 80, 0),
        ("FujiFilm FinePix40i.jpg", 75, 0),
        ("Sony Cybershot (7).jpg", 92, 1),
        ("Sony DCR-PC110.jpg", 90, 1),
        ("junk_jpeg_header.jpg", 60, 0),
    ],
)
def test_quality_of_cameras_and_editors_agrees_with_exiftool(name, quality, apart):
    # exiftool 12.57 JPEGQualityEstimate; IJG files exactly, other tables within one.
    assert abs(read_container(photograph(name))["jpeg_quality"] - quality) <= apart


def test_coarser_tables_never_get_a_higher_quality():
    rng = np.random.default_rng(5)
    table = np.clip(np.rint(ijg_table(LUMINANCE, 80) * rng.uniform(0.7, 1.4, 64)), 1, 255)
    found = [ijg_quality(np.clip(np.rint(table * scale), 1, 255)) for scale in (0.3, 0.6, 1, 1.5, 3, 6)]
    assert found == sorted(found, reverse=True)
    assert found[0] > found[-1] + 30
