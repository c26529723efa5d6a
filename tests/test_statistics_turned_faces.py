"""Which straight-on picture a turned one shows: painted panels, turned with OpenCV's pinhole camera (cv2.projectPoints)."""

import cv2
import numpy as np
import pytest
from catalogue_audit.statistics.matching.turned_faces import RIGHT, Compared, face_of, face_shares, points_of_one, usual_side
from catalogue_audit.statistics.matching.turned_marks import MARKS, marks_shown

SIZE, WIDE, HIGH, DEEP = 600, 0.30, 0.24, 0.10
CAMERA = np.array([[1300.0, 0, 300], [0, 1300, 300], [0, 0, 1]])


def _panel(seed, marks=6):
    """Grained leather, 400 by 500 px, with some rectangles of other tones."""
    draw = np.random.default_rng(seed)
    panel = 120 + cv2.GaussianBlur(draw.normal(0, 12, (400, 500)).astype(np.float32), (0, 0), 2)[..., None] * np.ones(3, np.float32)
    for _ in range(marks):
        x, y = draw.integers(30, 400), draw.integers(30, 320)
        panel[y : y + draw.integers(15, 60), x : x + draw.integers(20, 90)] = draw.integers(30, 220, 3)
    return panel


def _picture(face, side, turn_deg, pitch_deg=8.0):
    """Sketch of a box of three panels: its face at the turn, its side beside it."""
    turn, pitch = np.radians([turn_deg, pitch_deg])
    rotation = cv2.Rodrigues(np.array([pitch, 0, 0]))[0] @ cv2.Rodrigues(np.array([0, turn, 0]))[0]
    x, y, z = WIDE / 2, HIGH / 2, DEEP / 2
    corners = {
        "face": [(-x, -y, -z), (x, -y, -z), (x, y, -z), (-x, y, -z)],
        "side": [(x, -y, -z), (x, -y, z), (x, y, z), (x, y, -z)],
    }
    picture, mask = np.full((SIZE, SIZE, 3), 255, np.float32), np.zeros((SIZE, SIZE), np.uint8)
    for name, panel in (("side", side), ("face", face)):
        seen, _ = cv2.projectPoints(np.array(corners[name]), cv2.Rodrigues(rotation)[0], np.array([0, 0, 1.4]), CAMERA, None)
        seen = seen[:, 0].astype(np.float32)
        if cv2.contourArea(seen, oriented=True) < 100:
            continue
        high, wide = panel.shape[:2]
        homography = cv2.getPerspectiveTransform(np.array([(0, 0), (wide, 0), (wide, high), (0, high)], np.float32), seen)
        laid = cv2.warpPerspective(panel, homography, (SIZE, SIZE), flags=cv2.INTER_AREA)
        inside = cv2.warpPerspective(np.ones(panel.shape[:2], np.uint8), homography, (SIZE, SIZE)) > 0
        picture[inside] = laid[inside] * (0.8 if name == "side" else 1.0)
        mask |= inside
    ok, preview = cv2.imencode(".jpg", picture.clip(0, 255).astype(np.uint8))
    assert ok
    return {"preview": preview.ravel(), "mask": cv2.resize(mask, (256, 256), interpolation=cv2.INTER_NEAREST).astype(bool)}


def _triple(front, back, side, turn_deg=35.0):
    return tuple(_picture(panel, side, turn) for panel, turn in ((front, 0), (back, 0), (front, turn_deg)))


def _shares(triples):
    """`face_shares` of some products' sketches of front, back and turned picture."""
    return _told(face_shares, triples)


def _told(function, triples):
    files, sketches = _filed(triples)
    compared = Compared(sketches)
    comparable = {name: three for name, three in files.items() if compared[three]}
    return function(comparable, sketches, compared, usual_side(comparable.values(), sketches, compared))


def _filed(triples):
    files = {name: tuple(f"{name} {view}" for view in ("front", "back", "turned")) for name in triples}
    return files, dict(zip(sum(files.values(), ()), sum(triples.values(), ()), strict=True))


@pytest.fixture(scope="module")
def triples():
    return {f"P{n}": _triple(_panel(n), _panel(50 + n), _panel(90, 0)) for n in range(6)}


def test_the_picture_of_the_turned_face_is_told(triples):
    shares = _shares(triples)
    assert set(shares) == set(triples)
    assert min(shares.values()) > 2


def test_exchanged_pictures_tell_the_contrary(triples):
    front, back, turned = triples["P2"]
    shares = _shares({**triples, "P2": (back, front, turned)})
    assert shares.pop("P2") < -2
    assert min(shares.values()) > 2


def test_two_faces_alike_tell_nothing(triples):
    panel = _panel(7)
    shares = _shares({**triples, "same": _triple(panel, panel.copy(), _panel(90, 0))})
    assert abs(shares["same"]) < 1


def _striped(shift):
    across = (np.arange(500) + shift) // 42 % 2
    rows = np.where(across[:, None] > 0, (200.0, 60.0, 30.0), (235.0, 235.0, 235.0))
    return np.repeat(rows[None], 400, axis=0).astype(np.float32) + _panel(3, 0) - 120


def test_a_striped_print_that_runs_on_around_the_bag_tells_nothing(triples):
    """Front and back show the stripes moved by one; where the turned face is laid a little off, it lies over the wrong ones."""
    pictures = _triple(_striped(0), _striped(42), _panel(90, 0))
    shares = _shares({**triples, "stripes": pictures, "turned": (pictures[1], pictures[0], pictures[2])})
    assert shares.pop("stripes") == 0 and shares.pop("turned") == 0
    assert min(shares.values()) > 2


def _drum(panel, turn_deg):
    """Sketch of a drum that a panel runs around once, turned; the panel's middle is its front."""
    across = np.linspace(-1, 1, 402)[1:-1]
    angle = np.arcsin(across) - np.radians(turn_deg)
    maps = np.meshgrid(np.float32((angle / (2 * np.pi) + 0.5) % 1 * (panel.shape[1] - 1)), np.arange(400, dtype=np.float32))
    picture, mask = np.full((SIZE, SIZE, 3), 255, np.float32), np.zeros((SIZE, SIZE), np.uint8)
    picture[100:500, 100:500] = cv2.remap(panel, *maps, cv2.INTER_LINEAR)
    mask[100:500, 100:500] = 1
    ok, preview = cv2.imencode(".jpg", picture.clip(0, 255).astype(np.uint8))
    assert ok
    mask = cv2.resize(mask, (256, 256), interpolation=cv2.INTER_NEAREST).astype(bool)
    return {"preview": preview.ravel(), "mask": mask, "round_base": np.zeros(3)}


@pytest.mark.parametrize("exchanged", [False, True])
def test_a_drum_turned_around_its_axis_tells_its_front(triples, exchanged):
    around = np.concatenate([_panel(60 + n) for n in range(3)], axis=1)
    views = [_drum(around, turn) for turn in (0, 180)]
    front, back = views[::-1] if exchanged else views
    right = _turned_to_the_right(triples)
    shares = _shares({**triples, "drum": (front, back, _drum(around, 36 if right else -36))})
    assert shares["drum"] < -1 if exchanged else shares["drum"] > 1


def _turned_to_the_right(triples):
    """Whether the turned boxes show their face at the right: then the drum is turned the same way."""
    files, sketches = _filed(triples)
    return usual_side(files.values(), sketches, Compared(sketches)) == RIGHT


def test_a_base_that_falls_off_steeply_is_laid_over_too(triples):
    """The camera looks down by 32° on a face turned by 46°."""
    panels = _panel(21), _panel(71), _panel(90, 0)
    straight = [_picture(panel, panels[2], 0) for panel in panels[:2]]
    shares = _shares({**triples, "steep": (*straight, _picture(panels[0], panels[2], 46, 32))})
    assert shares["steep"] > 2


def test_a_sketch_without_picture_or_product_has_no_face():
    sketch = _picture(_panel(1), _panel(90, 0), 0)
    assert face_of({}) is None
    assert face_of({"preview": sketch["preview"]}) is None
    assert face_of({**sketch, "mask": np.zeros((256, 256), bool)}) is None


def test_nothing_given_tells_nothing():
    assert _shares({}) == {}


def _key_points(rng, shared, own, flipped):
    """Descriptors of 256 bits of what two pictures share and of what one has only, each with some bits otherwise."""
    bits = np.concatenate([shared, own])
    return np.packbits(bits ^ (rng.random(bits.shape) < flipped), axis=1)


def test_key_points_of_one_picture_only_tell_which_is_turned():
    rng = np.random.default_rng(11)
    shared, front, back = (rng.random((count, 256)) < 0.5 for count in (80, 30, 30))
    sketches = {
        "front": {"descriptors": _key_points(rng, shared, front, 0.05)},
        "back": {"descriptors": _key_points(rng, shared, back, 0.05)},
        "turned": {"descriptors": _key_points(rng, shared, front, 0.05)},
        "plain": {"descriptors": _key_points(rng, shared, rng.random((30, 256)) < 0.5, 0.05)},
        "few": {"descriptors": _key_points(rng, shared[:20], front[:5], 0.05)},
    }
    told = points_of_one(sketches, ("front", "back", "turned"))
    assert told == pytest.approx(30 / np.sqrt(31), abs=0.5)  # 30 heads, none tails
    assert points_of_one(sketches, ("back", "front", "turned")) == -told
    assert abs(points_of_one(sketches, ("front", "back", "plain"))) < 1
    assert points_of_one(sketches, ("front", "few", "turned")) is None


def _with_logo(panel, tone=30):
    """A panel with a small word low on its face, a twelfth of its height."""
    return cv2.putText(panel.clip(0, 255).astype(np.uint8), "OLME", (190, 300), cv2.FONT_HERSHEY_SIMPLEX, 1.4, (tone, tone, tone), 5).astype(np.float32)


def test_a_small_word_on_one_face_tells_which_is_turned(triples):
    """Of the face as a whole it is a tile or two, which `face_shares` may count no more than any other's chance."""
    front, back = _with_logo(_panel(0, 0)), _panel(1, 0)
    exchanged = tuple(_picture(panel, _panel(90, 0), turn) for panel, turn in ((back, 0), (front, 0), (front, 35)))
    marks = _told(marks_shown, {**triples, "word": _triple(front, back, _panel(90, 0)), "exchanged": exchanged})
    assert marks["word"] == -marks["exchanged"] > 0.3
    assert all(0.3 < marks[name] <= MARKS for name in triples)


def test_what_is_on_both_faces_is_no_mark(triples):
    panel = _with_logo(_panel(3, 0))
    pictures = {"alike": _triple(panel, panel.copy(), _panel(90, 0)), "moved": _triple(_striped(0), _striped(42), _panel(90, 0))}
    marks = _told(marks_shown, {**triples, **pictures})
    assert abs(marks["alike"]) < 0.1 and abs(marks["moved"]) < 0.1


@pytest.mark.parametrize("turn_deg", [30, 55])
def test_a_word_on_a_drum_tells_however_far_it_is_turned(triples, turn_deg):
    """At 55° it lies where no flat face would be laid."""
    plain = [_panel(60 + n, 0) for n in range(3)]
    around = np.concatenate([plain[0], _with_logo(plain[1]), plain[2]], axis=1)
    turned = _drum(around, turn_deg if _turned_to_the_right(triples) else -turn_deg)
    front, back = _drum(around, 0), _drum(around, 180)
    marks = _told(marks_shown, {**triples, "drum": (front, back, turned), "exchanged": (back, front, turned)})
    assert marks["drum"] == -marks["exchanged"] > 0.2


def test_marks_of_a_product_without_faces_are_untold(triples):
    files, sketches = _filed({"P0": triples["P0"]})
    sketches["P0 turned"] = {"mask": sketches["P0 turned"]["mask"]}
    assert marks_shown(files, sketches, Compared(sketches), RIGHT) == {"P0": None}
