"""What the accuracy table counts as found, false, due and following, on tables of a few rows whose answer is plain."""

import numpy as np
import pandas as pd
import pytest

from accuracy import compare, quantities
from catalogue_audit.schema import CHECKS


def truth(**columns):
    """Three pictures of the same light; columns replace those of the first."""
    table = pd.DataFrame(
        {"file": ["a.jpg", "b.jpg", "c.jpg"], "style": "tote", "background_ev": 0.0, "clipped_high": 0.0, "zoom": 1.0, "gain_r": 1.0, "gain_b": 1.0}
    )
    for name, value in columns.items():
        table.loc[0, name] = value
    return table


def faults(*rows):
    columns = ["file", "sku", "view", "check", "magnitude", "unit"]
    return pd.DataFrame([dict(zip(columns, ("a.jpg", "A", "front", *row), strict=True)) for row in rows], columns=columns, dtype="str")


def findings(*checks):
    return pd.DataFrame([{"file": "a.jpg", "sku": "A", "view": "front", "check": check} for check in checks], columns=["file", "sku", "view", "check"], dtype="str")


def matched(found, there, **columns):
    known, told = compare.match_faults(findings(*found), faults(*there), truth(**columns))
    return known.set_index("check")["found"].to_dict(), told.set_index("check")["due"].to_dict()


def test_what_clips_by_a_light_fault_is_no_false_clipping_and_what_does_not_clip_is():
    assert matched(["clipping"], [("exposure", "1.0", "EV")], clipped_high=0.08) == ({"exposure": False}, {"clipping": True})
    assert matched(["clipping"], [("exposure", "1.0", "EV")], clipped_high=0.0)[1] == {"clipping": False}
    assert matched(["clipping"], [("roll", "3", "deg")], clipped_high=0.08)[1] == {"clipping": False}


def test_a_fault_is_found_with_the_one_it_follows_from_and_not_the_other_way_round():
    there = [("cut_off", "21", "%"), ("centring", "-17", "%")]
    assert matched(["cut_off"], there)[0] == {"cut_off": True, "centring": True}
    assert matched(["centring"], there)[0] == {"cut_off": False, "centring": True}


def test_a_background_follows_only_from_a_light_that_moved_it_beyond_the_tolerance():
    assert matched(["background"], [("exposure", "-0.5", "EV")], background_ev=-0.5)[1] == {"background": True}
    assert matched(["background"], [("exposure", "-0.5", "EV")], background_ev=-0.05)[1] == {"background": False}


def test_nothing_explains_a_finding_on_another_picture():
    table = findings("clipping").assign(file="b.jpg")
    _, told = compare.match_faults(table, faults(("exposure", "1.0", "EV")), truth(clipped_high=0.2))
    assert not told["due"].any()


def test_each_rule_names_checks_of_the_contract_and_says_why():
    pairs = [(finding, fault) for finding, fault, *_ in compare.FOLLOWS_FROM]
    assert len(set(pairs)) == len(pairs)
    assert {check for pair in pairs for check in pair} <= set(CHECKS)
    assert all(finding != fault and len(reason.split()) > 3 for finding, fault, _, reason in compare.FOLLOWS_FROM)


def test_a_soft_shape_is_due_from_its_own_tolerance():
    lean = {"check": "lean", "magnitude": "6", "unit": "deg"}
    assert compare.is_due(lean, "tote") and not compare.is_due(lean, "hobo")
    assert not compare.is_due(lean, "tote", judged=False)


def test_lean_of_a_final_is_due_only_beside_its_original():
    there = faults(("lean", "8", "deg"))
    due = [compare.match_faults(findings(), there, truth(), "finals", paired)[0]["due"].tolist() for paired in ((), {"a.jpg"})]
    assert due == [[False], [True]]


def test_the_mildest_caught_and_the_gravest_missed_go_by_what_is_worse():
    table = faults(("roll", "1", "deg"), ("roll", "-2", "deg"), ("roll", "3", "deg"), ("jpeg_quality", "40", "IJG"), ("jpeg_quality", "70", "IJG"))
    rows = compare.summarise_magnitudes(table.assign(found=[False, True, True, True, False])).set_index("check")
    assert rows.loc["roll", ["mildest_caught", "gravest_missed"]].tolist() == [2, 1]
    assert rows.loc["jpeg_quality", ["mildest_caught", "gravest_missed"]].tolist() == [40, 70]


@pytest.mark.parametrize("claimed", [0.5, 1.0, 2.0])
def test_uncertainties_are_judged_by_the_errors(claimed):
    """Of a normal distribution 4.55 % lies beyond two and 0.27 % beyond three standard deviations (any table of the normal law)."""
    error = np.random.default_rng(3).normal(size=20_000)
    row = quantities.summarise_uncertainty(pd.DataFrame({"quantity": "roll_deg", "error": error, "sd": claimed})).iloc[0]
    assert row["robust_z"] == pytest.approx(1 / claimed, rel=0.03)
    if claimed == 1:
        assert row["beyond_2"] == pytest.approx(0.0455, abs=0.005) and row["beyond_3"] == pytest.approx(0.0027, abs=0.0015)


def test_a_pair_is_right_when_both_show_one_photograph():
    finals = pd.DataFrame({"file": ["x.jpg", "y.jpg", "z.jpg"], "original_file": ["1.jpg", "1.jpg", None], "view_kind": "upright"})
    finals = finals.assign(original_scale=1.2, original_rotation_deg=0.5, original_scale_sd=0.01, original_rotation_sd_deg=0.1)
    known = pd.DataFrame({"file": ["x.jpg", "y.jpg", "z.jpg"], "photograph": ["p", "q", "q"], "px_per_cm": 24.0, "roll_deg": 0.8})
    originals = pd.DataFrame({"file": ["1.jpg", "2.jpg"], "photograph": ["p", "q"], "px_per_cm": 20.0, "roll_deg": 0.2})
    pairs, errors = quantities.pair_errors(finals, known, originals)
    assert pairs.iloc[0].to_dict() == {"finals": 3, "with_original": 3, "right": 1, "wrong": 1, "none": 1}
    assert errors.set_index("quantity")["error"].to_dict() == pytest.approx({"original_rotation_deg": -0.1, "original_scale": 0.0})
