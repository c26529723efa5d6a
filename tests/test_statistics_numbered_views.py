"""Which views the numbers of file names stand for, by what the pictures show."""

import math

import pytest
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.name_numbers import BY_PICTURES, MAIN, main_pictures, numbers_alone, with_view_by_pictures
from catalogue_audit.delivery.names import read_names
from catalogue_audit.statistics.matching.numbered_views import Shown, views_of_numbers, what_is_shown

WHOLE = {"outline_confidence": 1.0, "touches": "", "fill_width": 0.6, "fill_height": 0.6, "width_px": 800, "height_px": 1000}
SQUARE, TURNED, CROP = (Shown("square", 0.1), Shown("turned", 0.0), Shown("crop", math.nan))


def pictures(products, *shown):
    """Products that all show the same under their numbers."""
    return [(number, f"AB-{product}", picture) for product in range(products) for number, picture in enumerate(shown, 1)]


def test_a_picture_tells_whether_it_is_a_crop_turned_or_square():
    for facts, kind in (
        ({"yaw_deg": 30.0, "yaw_sd_deg": 2.0}, "turned"),
        ({"yaw_deg": 30.0, "yaw_sd_deg": 15.0}, ""),
        ({"straight_on_turn": (-18.0, 1.5)}, "turned"),
        ({"yaw_deg": -0.4, "yaw_sd_deg": 2.5}, "square"),
        ({"yaw_deg": 9.0, "yaw_sd_deg": 1.0}, ""),
        ({}, ""),
        ({"touches": "left top"}, "crop"),
        ({"outline_confidence": 0.2}, "crop"),
        ({"target": "24 patches"}, ""),
        ({"outline_confidence": None}, ""),
    ):
        assert what_is_shown(WHOLE | facts).kind == kind, facts
    assert what_is_shown(WHOLE).aspect == pytest.approx(math.log(0.8))


def test_numbers_of_which_most_products_show_one_thing_are_views():
    assert views_of_numbers(pictures(5, SQUARE, TURNED, CROP, SQUARE)) == {
        1: ("front", None), 2: ("three_quarter", None), 3: ("detail", None), 4: ("back", None)
    }  # fmt: skip
    assert views_of_numbers(pictures(4, TURNED, SQUARE, CROP, CROP)) == {
        1: ("three_quarter", None), 2: ("front", None), 3: ("detail", 1), 4: ("detail", 2)
    }  # fmt: skip
    narrow, open_bag = SQUARE._replace(aspect=-0.6), SQUARE._replace(aspect=0.3)
    assert views_of_numbers(pictures(4, SQUARE, narrow, SQUARE)) == {1: ("front", None), 2: ("side", None), 3: ("back", None)}
    assert views_of_numbers(pictures(4, SQUARE, open_bag)) == {1: ("front", None)}  # neither back nor side


def test_a_faulty_picture_or_an_odd_product_does_not_change_what_a_number_means():
    rows = pictures(6, SQUARE, TURNED, SQUARE)
    rows[1] = (2, "AB-0", SQUARE)  # a front delivered again under the number of the three-quarter view
    rows[5] = (3, "AB-1", CROP)  # a back that is cut off
    rows[6] = (1, "AB-2", Shown("", 0.1))
    assert [view for view, _ in views_of_numbers(rows).values()] == ["front", "three_quarter", "back"]


def test_where_the_pictures_leave_it_open_nothing_is_told():
    assert views_of_numbers([]) == {}
    assert views_of_numbers(pictures(2, SQUARE, TURNED)) == {}  # two products are no rule
    assert views_of_numbers(pictures(9, CROP, CROP, TURNED)) == {}  # no front
    mixed = [(1, f"AB-{product}", SQUARE if product % 2 else TURNED) for product in range(8)]
    assert views_of_numbers(mixed) == {}
    assert views_of_numbers(pictures(9, SQUARE, Shown("", 0.0))) == {1: ("front", None)}
    assert 3 not in views_of_numbers(pictures(9, SQUARE, TURNED, TURNED))  # a second turned view may be of either side


def test_a_main_picture_is_told_beside_views_that_names_give():
    rows = [(MAIN, f"AB-{product}", TURNED) for product in range(4)]
    assert views_of_numbers(rows, {"front", "back", ""}) == {MAIN: ("three_quarter", None)}
    assert views_of_numbers(rows, {"front", "three_quarter"}) == {MAIN: ("three_quarter", 2)}  # after the one that is named so
    assert views_of_numbers(rows) == {}
    assert views_of_numbers([(MAIN, sku, SQUARE) for _, sku, _ in rows], {"back"}) == {MAIN: ("front", None)}
    assert views_of_numbers(rows[:2], {"front"}) == {}
    soft = [(MAIN, f"CD-{product}", Shown("", 0.0)) for product in range(6)]
    assert views_of_numbers(rows + soft, {"front"}) == {MAIN: ("three_quarter", None)}  # those that tell agree
    mixed = [*rows, (MAIN, "EF-1", SQUARE), *soft]
    assert views_of_numbers(mixed, {"front"}) == {}


def test_main_pictures_are_those_of_products_that_other_names_give():
    brief = load_brief()
    names = ["AB-1_HERO.jpg", "hero/AB-2.jpg", "Main_AB-3.jpg", "AB-4_main.jpg", "HERO-7.jpg", "Hero_front.jpg", "Main Street 5.jpg"]
    views = [f"AB-{number}_front.jpg" for number in (1, 2, 3)]
    assert main_pictures(read_names(names + views, brief), brief) == {names[0]: "AB-1", names[1]: "AB-2", names[2]: "AB-3"}
    assert main_pictures(read_names(names, brief), brief) == {}


def test_only_names_with_a_number_and_no_view_are_asked_for():
    brief = load_brief()
    names = read_names(["AB-1_1.jpg", "AB-1/07.jpg", "AB-1_front.jpg", "AB-1_back_2.jpg", "IMG_0004.jpg", "landscape_4.jpg", "AB-1_99.jpg"], brief)
    assert numbers_alone(names, brief) == {"AB-1_1.jpg": 1, "AB-1/07.jpg": 7}
    told = with_view_by_pictures(names[0], "detail", 2, brief)
    assert (told.sku, told.view, told.position, told.view_kind, told.problem) == ("AB-1", "detail", 2, "crop", BY_PICTURES)
    listed = brief.model_copy(update={"views": brief.views.model_copy(update={"numbered": ["front", "back"]})})
    assert numbers_alone(read_names(["AB-1_1.jpg", "AB-1_3.jpg"], listed), listed) == {}
