"""How marks, key points and faces laid over are added up to what a three-quarter view says of front and back."""

import pandas as pd
import pytest

from catalogue_audit.statistics.matching import turned_votes as told_by
from catalogue_audit.statistics.matching.turned_votes import ONE_VOTE, turned_votes

PAIRS = {sku: (3 * place, 3 * place + 1) for place, sku in enumerate("ABCDE")}
TURNED = {sku: back + 1 for sku, (_, back) in PAIRS.items()}
FRAMES = pd.DataFrame({"file": [f"{row}.jpg" for row in range(15)]})


@pytest.fixture
def votes(monkeypatch):
    """Votes of five products, given the key points, marks and faces of each, and what was asked of whom."""

    def _votes(points, marks, faces):
        asked = {}

        def answer(name, known):
            def told(products, *_):
                asked[name] = "".join(products)
                return {sku: known[sku] for sku in products}

            return told

        monkeypatch.setattr(told_by, "points_of_one", lambda sketches, files: points["ABCDE"[int(files[0][:-4]) // 3]])
        monkeypatch.setattr(told_by, "usual_side", lambda *_: 0)
        monkeypatch.setattr(told_by, "marks_shown", answer("marks", marks))
        monkeypatch.setattr(told_by, "face_shares", answer("faces", faces))
        return turned_votes(FRAMES, {}, PAIRS, TURNED), asked

    return _votes


def test_the_ratios_of_all_three_are_added_up(votes):
    """Weights of the regression: 1.8 a mark, 0.5 a standard deviation of the key points, 1 of the face beyond 2."""
    found, asked = votes({"A": -1.0, "B": 9.0, "C": 2.0, "D": None, "E": 8.0}, {"A": -1.0, "C": 3.0, "D": 2.0}, {"A": -2.5})
    assert asked == {"marks": "ACD", "faces": "A"}  # the dear ones are asked only where the cheap ones do not say front
    expected = {"A": -1.8 - 0.5 - 0.5, "B": 4.5, "C": 5.4 + 1.0, "D": 3.6, "E": 4.0}
    assert found == pytest.approx({sku: ratio / ONE_VOTE for sku, ratio in expected.items()})


def test_a_small_mark_and_few_points_together_are_not_enough_by_themselves(votes):
    found, _ = votes({"A": -2.5, "B": 9.0, "C": 9.0, "D": 9.0, "E": 9.0}, {"A": -0.1}, {"A": -1.9})
    assert -1.6 < found["A"] < 0


@pytest.mark.parametrize(("balance", "vote"), [(2.0, 0.0), (-4.5, -1.0), (-20.0, -2.0)])
def test_without_faces_key_points_count_beyond_chance(votes, balance, vote):
    found, asked = votes({"A": balance, "B": 9.0, "C": 9.0, "D": 9.0, "E": 9.0}, {"A": None}, {})
    assert found["A"] == pytest.approx(vote)
    assert asked == {"marks": "A", "faces": ""}


def test_faces_with_too_little_in_common_say_nothing(votes):
    found, _ = votes({"A": -9.0, "B": 9.0, "C": 9.0, "D": 9.0, "E": 9.0}, {"A": float("nan")}, {})
    assert set(found) == set("BCDE")


def test_a_set_that_does_not_mostly_show_the_front_says_nothing(votes):
    found, _ = votes(dict.fromkeys("ABCDE", 0.0), {"A": -2.0, "B": -2.0, "C": 2.0, "D": 0.0, "E": 0.0}, dict.fromkeys("ABDE", 0.0))
    assert found == {}
