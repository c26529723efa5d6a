"""Sampling plans against MIL-STD-105E and a second transcription of it; risk, switching, the draw."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published import rows

from catalogue_audit.statistics import sampling


def test_code_letters_are_table_1():
    """MIL-STD-105E (1989), Table I: both ends of each of the 15 lot ranges at all 7 levels."""
    for row in rows("as_table1_code_letters"):
        for lot in (row["lot_min"], row["lot_max"] or "2000000"):
            for level in sampling.LEVELS:
                assert sampling.code_letter(int(lot), level) == row[level], (lot, level)


@pytest.mark.parametrize("inspection", ["normal", "tightened", "reduced"])
def test_plans_are_table_2(inspection):
    """MIL-STD-105E (1989), Tables II-A, II-B, II-C: 176 cells each, arrows resolved."""
    table = rows(f"as_table2_single_{inspection}")
    assert len(table) == 176
    for row in table:
        letter, cell = sampling._follow_arrows(row["letter"], float(row["aql"]), inspection)
        n = sampling.SAMPLE_SIZES[inspection][sampling.LETTERS.index(letter)]
        assert (n, cell) == (int(row["n"]), f"{row['ac']}/{row['re']}"), row


def test_normal_plans_agree_with_a_second_transcription():
    """Rejection numbers and arrows of Table II-A as printed in the NIBS guide."""
    lines = [line.split() for line in sampling.PLANS["normal"].strip().splitlines()]
    for row in rows("as_crosscheck_nibs_normal_re"):
        for aql in (0.65, 1.0, 1.5, 2.5, 4.0, 6.5):
            cell = lines[sampling.LETTERS.index(row["letter"])][sampling.AQLS.index(aql)]
            printed = row[f"{aql:g}" if aql % 1 else f"{aql:.1f}"]
            if printed.isdigit():
                assert cell.split("/")[1] == printed
            else:
                assert cell in {"v": "v", "^": "^", "||": "v^"}[printed]


@pytest.mark.parametrize(
    ("lot", "aql", "letter", "n", "accept"),
    [
        (60, 0.65, "F", 20, 0),
        (60, 1.5, "D", 8, 0),
        (60, 2.5, "F", 20, 1),
        (120, 1.0, "E", 13, 0),
        (120, 1.5, "G", 32, 1),
        (500, 0.65, "J", 80, 1),
        (500, 4.0, "H", 50, 5),
        (501, 6.5, "J", 80, 10),
    ],
)
def test_worked_look_ups(lot, aql, letter, n, accept):
    """MIL-STD-105E, level II, normal: look-ups by hand, an arrow changes the sample size too."""
    plan = sampling.sampling_plan(lot, "II", aql)
    assert (plan.letter, plan.n, plan.accept, plan.reject) == (letter, n, accept, accept + 1)


def test_a_small_lot_is_inspected_whole():
    plan = sampling.sampling_plan(5, aql=0.65)
    assert plan.n == 5 and plan.whole_lot


def test_a_wrong_question_says_what_is_allowed():
    with pytest.raises(ValueError, match="AQL must be one of"):
        sampling.sampling_plan(100, aql=3)
    with pytest.raises(ValueError, match="level must be one of"):
        sampling.code_letter(100, "IV")
    with pytest.raises(ValueError, match="at least one product"):
        sampling.code_letter(0)


def test_chances_of_acceptance():
    """Hypergeometric and binomial, computed from the definitions to six digits."""
    for row in rows("as_oc_hypergeometric"):
        lot, bad, n, accept = (int(row[key]) for key in ("lot_N", "defectives_D", "n", "ac"))
        expected = float(row["pa_hypergeometric"])
        assert sampling.acceptance_probability(lot, bad, n, accept) == pytest.approx(expected, abs=1e-6)


def test_percentiles_of_letter_j():
    """MIL-STD-105E, Table X-J (recalled): accepted at 95 % with 1.03 % and at 90 % with 1.38 % nonconforming, n = 80, Ac = 2; a lot of 100,000 stands for the process."""
    assert sampling.acceptance_probability(100_000, 1030, 80, 2) == pytest.approx(0.95, abs=5e-4)
    assert sampling.acceptance_probability(100_000, 1385, 80, 2) == pytest.approx(0.90, abs=5e-4)


@given(st.integers(2, 80), st.integers(1, 40), st.integers(0, 3))
@settings(deadline=None)
def test_more_wrong_products_are_never_accepted_more_often(lot, n, accept):
    curve = [sampling.acceptance_probability(lot, bad, min(n, lot), accept) for bad in range(lot + 1)]
    assert all(a >= b - 1e-12 for a, b in zip(curve, curve[1:], strict=False))


def test_switching_rules():
    """MIL-STD-105E, 4.7.1 to 4.7.4 and 4.8."""
    switch = sampling.switch_inspection
    assert switch([]).inspection == "normal"
    assert switch(["reject", "accept", "accept", "accept", "reject"]).inspection == "tightened"
    assert switch(["reject", *["accept"] * 4, "reject"]).inspection == "normal"  # two of six
    assert switch(["reject", "reject", *["accept"] * 4]).inspection == "tightened"
    assert switch(["reject", "reject", *["accept"] * 5]).inspection == "normal"
    assert switch(["reject"] * 7).stopped
    tightened = ["reject", "reject"]  # ISO 2859-1:1999, 9.4: the cumulative number of lots not accepted on tightened inspection reaches 5
    assert switch([*tightened, *["reject", "accept"] * 4, "reject"]).stopped
    assert not switch([*tightened, *["reject", "accept"] * 4]).stopped
    assert not switch([*tightened, *["reject"] * 4, *["accept"] * 5, *tightened, "reject"]).stopped  # relaxed in between: counted anew
    assert switch(["accept"] * 10).inspection == "normal"
    assert switch(["accept"] * 10, reduced_wanted=True).inspection == "reduced"
    assert switch([*["accept"] * 10, "accept_back_to_normal"], reduced_wanted=True).inspection == "normal"
    assert switch([*["accept"] * 10, "reject"], reduced_wanted=True).inspection == "normal"


def test_a_count_between_the_numbers_of_a_reduced_plan_accepts_and_returns_to_normal():
    plan = sampling.sampling_plan(120, aql=2.5, inspection="reduced")
    assert (plan.n, plan.accept, plan.reject) == (8, 0, 2)
    assert [sampling.judge_sample(plan, bad) for bad in (0, 1, 2)] == [("accept", False), ("accept", True), ("reject", True)]


@given(st.sets(st.text("ABC-123", min_size=1, max_size=6), max_size=30), st.integers(0, 10), st.integers(0, 5))
def test_the_draw_depends_on_the_seed_and_the_products_only(products, n, seed):
    drawn = sampling.draw_sample(sorted(products), n, seed)
    assert drawn == sampling.draw_sample(sorted(products, reverse=True), n, seed)
    assert len(drawn) == min(n, len(products)) and set(drawn) <= products


def test_every_product_is_drawn_about_equally_often():
    products = [f"P{number}" for number in range(20)]
    counts = dict.fromkeys(products, 0)
    for seed in range(2000):
        for sku in sampling.draw_sample(products, 5, seed):
            counts[sku] += 1
    assert max(abs(count - 500) for count in counts.values()) < 5 * (2000 * 0.25 * 0.75) ** 0.5
