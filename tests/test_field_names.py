"""
File names as studios, retouchers and computers leave them: what stands around SKU and view.

Shapes of names are common practice, no source; the SKUs are made up.
"""

import pytest

from catalogue_audit.delivery.brief import load_brief, parse_brief
from catalogue_audit.delivery.names import CAMERA, read_names

USUAL = load_brief()
NUMBERED = parse_brief('[views]\nnumbered = ["three_quarter", "front", "back", "detail"]')


def told(name, brief=USUAL, known=()):
    (facts,) = read_names([name], brief, known)
    return facts[1:4]


@pytest.mark.parametrize(
    "beginning",
    "DSC_0123_ DSC01234_ IMG_1234- DSCF1234_ _MG_1234_ IMG_ image_ Foto_ web_ FINAL_ 20260301_ 2026-03-01_".split()
    + ["Copy of ", "IMG_1234 "],
)
def test_what_a_camera_or_an_export_puts_in_front_is_no_part_of_the_sku(beginning):
    assert told(f"{beginning}BG-104_front.jpg") == ("BG-104", "front", None)
    assert told(f"{beginning}BG-104_2.jpg", NUMBERED) == ("BG-104", "front", 1)


@pytest.mark.parametrize("sku", ["20240315-BLK", "123-4567_BLK", "DSC-12", "WEB-BAG", "FOTO-TOTE", "A20260301"])
def test_what_only_looks_like_a_beginning_stays_in_the_sku(sku):
    assert told(f"{sku}_front.jpg") == (sku, "front", None)


def test_a_beginning_of_a_known_sku_stays():
    assert told("IMG_BG-104_front.jpg", known=["IMG_BG-104"]) == ("IMG_BG-104", "front", None)


@pytest.mark.parametrize(
    "words, view",
    [
        ("forfra forside framsida framifrån przód frente", "front"),
        ("bagfra bakside baksida bakifrån costas traseira tył verso", "back"),
        ("skrå skraa trekvart 34L 34-R TQ tres-quartos", "three_quarter"),
        ("detalje närbild detalhe szczegół", "detail"),
        ("insida inderside wnętrze", "interior"),
        ("bund botten fondo", "base"),
    ],
)
def test_views_in_more_of_the_languages_of_studios(words, view):
    for word in words.split():
        assert told(f"BG-104_{word}.jpg") == told(f"{word.upper()} BG-104.jpg") == ("BG-104", view, None), word


def test_a_number_without_a_view_word_still_tells_the_product():
    for name in ("BG-104_02.jpg", "BG-104-2.jpg", "BG-104 (2).jpg", "BG-104/2.jpg", "BG-104/view2.jpg"):
        assert told(name) == ("BG-104", "", None), name
    for name in ("BG-104_0412.jpg", "HS450412.jpg", "Screenshot 2026-03-01 at 10.11.12.png", "emilia_2.jpg", "Emilia 24 (2).jpg"):
        assert told(name) == ("", "", None), name  # a counter, a camera, a date, no figure


def test_a_folder_that_looks_like_an_sku_names_the_product_of_a_cameras_file():
    assert told("BG-104/DSC_0012.JPG") == ("BG-104", "", None)
    assert told("Emilia/DSC_0012.JPG") == told("2026-03-01/DSC_0012.JPG") == told("Card 2/DSC_0012.JPG") == ("", "", None)
    assert read_names(["20260331_101112.jpg"], USUAL)[0].problem == CAMERA


def test_letters_and_bracketed_numbers_count_views_where_the_brief_numbers_them():
    for name in ("BG-104_B.jpg", "BG-104-b.jpg", "BG-104/B.jpg", "BG-104 (2).jpg", "BG-104_2 (1).jpg"):
        assert told(name, NUMBERED) == ("BG-104", "front", 1), name
    assert told("BG-104_B.jpg") == ("", "", None)  # B may be a colourway
    assert told("BG-104_B.jpg", NUMBERED, ["BG-104_B"]) == ("BG-104_B", "three_quarter", 1)


@pytest.mark.parametrize(
    "words, view",
    [
        ("schräg Schraeg 3quarti tre-quarti 3-cuartos trois-quarts", "three_quarter"),
        ("anteriore delantera devant Vorne", "front"),
        ("derrière posteriore trasero atrás Hinten", "back"),
        ("profilo perfil", "side"),
        ("3-4_dos trois-quarts-arrière dreiviertel-hinten 34_rear three-quarter_back", "back_three_quarter"),
        ("3-4_face dreiviertel-vorne trois-quarts-avant", "three_quarter"),
    ],
)
def test_view_words_of_other_languages_are_known(words, view):
    for word in words.split():
        assert told(f"BG-104_{word}.JPG")[:2] == ("BG-104", view), word


def test_a_capital_behind_a_view_word_tells_pictures_of_the_view_apart():
    facts = read_names(["BG-104_detailA.jpg", "BG-104_detailB.jpg"], USUAL)
    assert [(name.view, name.extra) for name in facts] == [("detail", "A"), ("detail", "B")]
    assert told("BG-104_backpack.jpg") == ("", "", None)
