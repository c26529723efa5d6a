"""Neighbours of hashes, duplicates and legitimate sameness, misfiled pictures: painted bags with known truth."""

import cv2
import numpy as np
import pandas as pd
import pytest
from bag_scenes import COLOURS, Delivery, clean_delivery, photograph, style
from catalogue_audit.statistics.matching import likeness, neighbours, nominating, verifying
from catalogue_audit.statistics.matching.identity import group_pictures, misfiled
from catalogue_audit.statistics.tables import table_from_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse.csgraph import connected_components

STYLES = 3
SHADES = {name: COLOURS[name] for name in ("black", "tan", "red")}


def clumped(seed, count=300):
    """Random hashes, relatives of some of them at every distance, and repetitions."""
    draw = np.random.default_rng(seed)
    hashes = draw.integers(0, 2**64, count, dtype=np.uint64)
    relatives = []
    for value in hashes[: count // 4].tolist():
        for bits in range(1, 13):
            relatives.append(value ^ sum(1 << int(bit) for bit in draw.choice(64, bits, replace=False)))
    return np.concatenate([hashes, np.array(relatives, np.uint64), hashes[: count // 10]])


@pytest.mark.parametrize("radius", range(12))
def test_groups_equal_brute_force(radius):
    hashes = clumped(radius)
    distances = np.bitwise_count(hashes[:, None] ^ hashes)
    _, labels = connected_components(distances <= radius)
    smallest = {label: int(np.flatnonzero(labels == label)[0]) for label in set(labels)}
    assert neighbours.components_within(hashes, radius).tolist() == [smallest[label] for label in labels]


@pytest.mark.parametrize("crowd", [1, 5])
def test_groups_are_the_same_through_representatives(monkeypatch, crowd):
    hashes = clumped(99)
    expected = neighbours.components_within(hashes, 6)
    monkeypatch.setattr(neighbours, "CROWDED", crowd)
    assert np.array_equal(neighbours.components_within(hashes, 6), expected)


def test_a_burst_does_not_cost_its_square():
    """20,000 different hashes within 6 bits of one: 200 million pairs, one group."""
    draw = np.random.default_rng(1)
    masks = np.zeros(20000, np.uint64)
    for _ in range(3):
        masks ^= np.uint64(1) << draw.integers(0, 64, masks.size).astype(np.uint64)
    assert set(neighbours.components_within(masks ^ np.uint64(0x123456789ABCDEF0), 6).tolist()) == {0}


def test_a_radius_beyond_the_index_is_refused():
    with pytest.raises(ValueError, match="radius must be 0 to 11"):
        neighbours.components_within(np.zeros(3, np.uint64), 12)


@pytest.fixture(scope="module")
def clean():
    """36 pictures in which nothing is wrong, and each as photographed."""
    delivery = clean_delivery(STYLES, SHADES)
    shots = {
        f"ST{number:02d}-{name}_{view}.jpg": photograph(style(number), colour, view, f"ST{number:02d}-{name}0")
        for number in range(STYLES)
        for name, colour in SHADES.items()
        for view in ("three_quarter", "front", "back", "detail")
    }
    return delivery, shots


def with_further(delivery, *further):
    """The delivery with more files: (file, rgb, mask, sku, view, facts)."""
    more = Delivery()
    more.rows, more.sketches = [dict(row) for row in delivery.rows], dict(delivery.sketches)
    for file, rgb, mask, sku, view, facts in further:
        more.add(file, rgb, mask, sku, view, **facts)
    return more.tables()


def duplicates(frames, sketches):
    groups, pairs = group_pictures(frames, sketches)
    return set(frames["file"][groups["duplicate_group"].notna()]), pairs


def resized(rgb, mask, factor):
    size = round(rgb.shape[1] * factor), round(rgb.shape[0] * factor)
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), cv2.resize(mask.astype(np.uint8), size).astype(bool)


CHANGES = {
    "saved again at quality 40": (lambda rgb, mask: (rgb, mask), 40, "re_export"),
    "half the size": (lambda rgb, mask: resized(rgb, mask, 0.5), 85, "resized"),
    "cropped by a tenth": (lambda rgb, mask: (rgb[30:-20, 40:-40], mask[30:-20, 40:-40]), 85, "perhaps_again"),  # soft, without capture times: nothing rules out a second photograph
    "with more canvas": (
        lambda rgb, mask: (cv2.copyMakeBorder(rgb, 40, 40, 30, 30, cv2.BORDER_REPLICATE), np.pad(mask, ((40, 40), (30, 30)))),
        85,
        "perhaps_again",
    ),
    "mirrored": (lambda rgb, mask: (rgb[:, ::-1], mask[:, ::-1]), 85, "mirrored"),
    "brightened": (lambda rgb, mask: (np.clip(rgb * 1.05, 0, 255).astype(np.uint8), mask), 85, "re_export"),
}


def test_a_clean_delivery_has_no_duplicates(clean):
    found, pairs = duplicates(*clean[0].tables())
    assert found == set()
    assert set(pairs["kind"]) <= {"recoloured"}


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("source", ["ST00-tan_front.jpg", "ST02-black_three_quarter.jpg", "ST01-red_back.jpg"])
def test_one_photograph_under_another_product_is_a_duplicate(clean, change, source):
    make, quality, kind = CHANGES[change]
    rgb, mask = (np.ascontiguousarray(part) for part in make(*clean[1][source]))
    frames, sketches = with_further(clean[0], ("ZZ_front.jpg", rgb, mask, "ZZ", "front", {"quality": quality}))
    found, pairs = duplicates(frames, sketches)
    assert found == {source, "ZZ_front.jpg"}
    assert pairs[pairs["kind"] != "recoloured"]["kind"].tolist() == [kind]


def test_a_detail_cropped_again_under_another_number_is_a_duplicate(clean):
    rgb, mask = clean[1]["ST01-tan_detail.jpg"]
    further = ("ST01-tan_detail_2.jpg", rgb[25:-40, 30:-50].copy(), mask[25:-40, 30:-50].copy(), "ST01-tan", "detail", {"position": 2})
    assert duplicates(*with_further(clean[0], further))[0] == {"ST01-tan_detail.jpg", "ST01-tan_detail_2.jpg"}


def test_one_photograph_shifted_and_brightened_at_another_time_is_a_duplicate(clean):
    """As when another product's photograph was taken into a picture's place, and developed anew."""
    rgb, mask = clean[1]["ST01-tan_front.jpg"]
    moved = np.float32([[1, 0, 1.5], [0, 1, -0.7]])
    brighter = np.clip(cv2.warpAffine(rgb, moved, rgb.shape[1::-1], borderMode=cv2.BORDER_REPLICATE) * 1.04, 0, 255).astype(np.uint8)
    cover = cv2.warpAffine(mask.astype(np.uint8), moved, mask.shape[::-1]).astype(bool)
    delivery = Delivery()
    delivery.add("A_front.jpg", rgb, mask, "A", "front", captured_at="2026-03-02T09:00:00")
    delivery.add("B_front.jpg", brighter, cover, "B", "front", captured_at="2026-03-02T09:20:00")
    assert duplicates(*delivery.tables())[0] == {"A_front.jpg", "B_front.jpg"}


def test_each_of_many_that_look_alike_is_verified_against_a_few_only(monkeypatch):
    """160 takes of one painted bag, a minute apart: 12,720 pairs look alike, some hundreds are looked at."""
    draw = np.random.default_rng(8)
    bag = cv2.resize(draw.integers(0, 255, (5, 4, 3)).astype(np.uint8), (128, 160), interpolation=cv2.INTER_CUBIC)
    rows, sketches, looked = [], {}, []
    for number in range(160):
        take = np.clip(np.roll(bag, number % 3, axis=1) + draw.normal(0, 4, bag.shape), 0, 255).astype(np.uint8)
        file = f"B{number:03d}_front.jpg"
        rows.append({"file": file, "sku": f"B{number:03d}", "view": "front", "phash": f"{1:016x}", "sha256": file, "width_px": 1280,
                     "height_px": 1600, "captured_at": f"2026-03-02T{9 + number // 60:02d}:{number % 60:02d}:00"})  # fmt: skip
        sketches[file] = {"thumb": take}

    def counted(*pair):
        looked.append(pair)
        return likeness.DIFFERENT

    monkeypatch.setattr(verifying, "compare", counted)
    group_pictures(table_from_rows("frames", rows), sketches)
    assert 160 <= len(looked) <= 160 * 3 * nominating.NEAREST


def test_copies_beyond_the_nearest_few_are_one_group(clean):
    rgb, mask = clean[1]["ST00-red_front.jpg"]
    delivery = Delivery()
    for number in range(12):
        delivery.add(f"P{number:02d}_front.jpg", rgb, mask, f"P{number:02d}", "front", quality=60 + 3 * number)
    groups, pairs = group_pictures(*delivery.tables())
    assert set(groups["duplicate_group"]) == {1} and len(pairs) == 11


def test_another_shot_of_the_same_bag_and_view_is_no_duplicate(clean):
    rgb, mask = photograph(style(0), SHADES["tan"], "front", "another")
    found, _ = duplicates(*with_further(clean[0], ("ZZ_front.jpg", rgb, mask, "ZZ", "front", {})))
    assert found == set()


def test_the_same_bytes_and_the_same_pixels_are_told_apart(clean):
    source = "ST00-red_front.jpg"
    rgb, mask = clean[1][source]
    frames, sketches = with_further(clean[0], ("ZZ_back.jpg", rgb, mask, "ZZ", "back", {}))
    assert duplicates(frames, sketches)[1].query("kind != 'recoloured'")["kind"].tolist() == ["same_bytes"]
    frames.loc[frames["file"] == "ZZ_back.jpg", "sha256"] = "0" * 64  # other metadata, same pixels
    found, pairs = duplicates(frames, sketches)
    assert pairs.query("kind != 'recoloured'")["kind"].tolist() == ["same_pixels"]
    assert found == {source, "ZZ_back.jpg"}


def test_legitimate_sameness_is_no_duplicate(clean):
    rgb, mask = clean[1]["ST00-tan_front.jpg"]
    again = np.clip(rgb.astype(int) + np.random.default_rng(1).normal(0, 2, rgb.shape), 0, 255).astype(np.uint8)
    at = {"captured_at": "2026-03-02T09:00:00"}
    later = {"captured_at": "2026-03-02T09:00:04"}
    other = np.where(mask[..., None], np.clip(rgb * np.array([0.6, 0.9, 1.5]), 0, 255), rgb).astype(np.uint8)  # made blue
    cases = {
        "rendition": [("A_front.jpg", rgb, mask, {}), ("web/A_front.jpg", *resized(rgb, mask, 0.5), {})],
        "burst": [("A_front_1.jpg", rgb, mask, {**at, "position": 1}), ("A_front_2.jpg", again, mask, {**later, "position": 2})],
        "round": [("A_front_r1.jpg", rgb, mask, {}), ("A_front_r2.jpg", again, mask, {})],
    }
    for kind, files in cases.items():
        delivery = Delivery()
        for file, picture, cover, facts in files:
            delivery.add(file, picture, cover, "A", "front", **facts)
        found, pairs = duplicates(*delivery.tables())
        assert (found, pairs["kind"].tolist()) == (set(), [kind])
    delivery = Delivery()
    delivery.add("A_front.jpg", rgb, mask, "A", "front")
    delivery.add("B_front.jpg", other, mask, "B", "front")
    found, pairs = duplicates(*delivery.tables())
    assert (found, pairs["kind"].tolist()) == (set(), ["recoloured"])


def test_a_burst_frame_filed_under_another_product_is_a_duplicate(clean):
    rgb, mask = clean[1]["ST00-tan_front.jpg"]
    again = np.clip(rgb.astype(int) + np.random.default_rng(2).normal(0, 2, rgb.shape), 0, 255).astype(np.uint8)
    delivery = Delivery()
    delivery.add("A_front.jpg", rgb, mask, "A", "front", captured_at="2026-03-02T09:00:00")
    delivery.add("B_front.jpg", again, mask, "B", "front", captured_at="2026-03-02T09:00:04")
    assert duplicates(*delivery.tables())[0] == {"A_front.jpg", "B_front.jpg"}


def drawn_face(size, lock, pocket, rgb=(222, 178, 50)):
    """A bag as one draws it: one flat colour on light grey, with a lock and label, or a pocket's line, and nothing else."""
    width, height = size
    image = np.full((height, width, 3), 245, np.uint8)
    cv2.rectangle(image, (width // 4, height // 3), (3 * width // 4, 2 * height // 3), rgb, -1)
    if lock:
        cv2.circle(image, (width // 2, int(height * 0.42)), width // 45, (190, 192, 196), -1, cv2.LINE_AA)
        cv2.rectangle(image, (int(width * 0.44), int(height * 0.54)), (int(width * 0.56), int(height * 0.56)), (190, 192, 196), -1)
    if pocket:
        cv2.line(image, (int(width * 0.35), int(height * 0.45)), (int(width * 0.65), int(height * 0.45)), tuple(int(c * 0.6) for c in rgb), 2)
    mask = np.zeros((height, width), bool)
    mask[height // 3 : 2 * height // 3, width // 4 : 3 * width // 4] = True
    return image, mask


def test_a_flat_front_and_its_back_differ_in_one_place_and_are_two_pictures():
    """What coding and a shift may do is many small differences or some along contours; a lock is a large one in one place."""
    front, mask = drawn_face((205, 256), lock=True, pocket=False)
    back, _ = drawn_face((205, 256), lock=False, pocket=True)
    shifted = np.roll(front, 1, axis=1)
    noisy = np.clip(front + np.random.default_rng(1).normal(0, 4, front.shape), 0, 255).astype(np.uint8)

    def differ(other):
        luma = [cv2.GaussianBlur(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY).astype(np.float32), (0, 0), likeness.BLUR) for image in (front, other)]
        return likeness._differ_in_one_place(luma, np.ones(mask.shape, bool), mask)

    brighter = (255 * (front / 255) ** 0.7).astype(np.uint8)
    assert differ(back)
    assert differ((255 * (back / 255) ** 0.7).astype(np.uint8))
    for other in (front, shifted, noisy, cv2.GaussianBlur(front, (0, 0), 0.7), brighter):
        assert not differ(other)


def plain_face(seam, seed):
    """A bag with nothing on it but soft folds and grain, and on its front a seam near the base."""
    image, mask = drawn_face((820, 1024), lock=False, pocket=False, rgb=(150, 30, 38))
    for size, levels in ((30, 2), (3, 3)):
        relief = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, mask.shape), (0, 0), size)
        image = image + (levels * relief / relief.std())[..., None] * mask[..., None]
    image = np.ascontiguousarray(image)
    if seam:
        cv2.line(image, (215, 655), (605, 655), (125, 22, 30), 2, cv2.LINE_AA)
    noise = np.random.default_rng(seed).normal(0, 1, image.shape)
    return np.clip(image + noise, 0, 255).astype(np.uint8), mask


def test_the_two_faces_of_a_plain_bag_are_no_duplicate_and_a_copy_of_one_is(clean, monkeypatch):
    delivery, _ = clean
    front, back = plain_face(True, 1), plain_face(False, 2)
    copy = cv2.imdecode(cv2.imencode(".jpg", front[0], [cv2.IMWRITE_JPEG_QUALITY, 70])[1], cv2.IMREAD_COLOR), front[1]

    def found(second):
        faces = [(f"PL-1_{view}.jpg", *face, "PL-1", view, {"captured_at": None}) for view, face in (("front", front), ("back", second))]
        return duplicates(*with_further(delivery, *faces))[0]

    assert found(back) == set()
    assert found(copy) == {"PL-1_front.jpg", "PL-1_back.jpg"}
    monkeypatch.setattr(verifying, "_two_faces", lambda one, other, kind: False)
    assert found(back)  # the coarser comparison alone takes them for one picture


def round_face(seed, times=1):
    """A round bag with a seam along its rim and a handle, whose material's weave was cut from anywhere; the same face each time."""
    mask = np.zeros((820, 820), np.uint8)
    cv2.circle(mask, (410, 500), 230, 1, -1)
    image = np.full((820, 820, 3), 205.0)
    cv2.ellipse(image, (410, 290), (100, 130), 0, 180, 360, (96, 54, 30), 22, cv2.LINE_AA)
    weave = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, mask.shape), (0, 0), 4)
    cloth = np.array([200, 168, 104]) + (1.5 * weave / weave.std())[..., None]
    image = np.ascontiguousarray(np.where(mask[..., None], cloth, image))
    for angle in range(0, 360, 4):
        cv2.ellipse(image, (410, 500), (210, 210), 0, angle, angle + 2, (238, 232, 214), 3, cv2.LINE_AA)
    noise = np.random.default_rng(seed + 50 * times).normal(0, 1, image.shape)
    return np.clip(image + noise, 0, 255).astype(np.uint8), mask.astype(bool)


def test_the_faces_of_a_rigid_bag_are_told_apart_by_their_grain_alone(clean, monkeypatch):
    front, back = round_face(1), round_face(2)
    copy = cv2.imdecode(cv2.imencode(".jpg", round_face(1, times=2)[0], [cv2.IMWRITE_JPEG_QUALITY, 60])[1], cv2.IMREAD_COLOR), front[1]

    def found(second):
        faces = [(f"RD-1_{view}.jpg", *face, "RD-1", view, {"captured_at": None}) for view, face in (("front", front), ("back", second))]
        return duplicates(*with_further(clean[0], *faces))[0]

    assert found(back) == set()
    assert found(copy) == {"RD-1_front.jpg", "RD-1_back.jpg"}
    monkeypatch.setattr(verifying, "same_grain", lambda *_: True)
    assert found(back)  # all that has a clear place lies alike


def fitted_face(seed, grain):
    """A plain trapeze of a bag with bold handles and fittings, shaded softly: all that is plain to see is the same on both faces, not its faint grain and noise."""
    height, width = 1024, 683
    y, x = np.mgrid[:height, :width].astype(np.float32)
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [np.int32([(130, 400), (550, 400), (600, 800), (80, 800)])], 1)
    image = np.full((height, width, 3), 255.0)
    shade = 8 * np.sin(x / 90) + 6 * np.cos(y / 70)
    draw = np.random.default_rng(seed)
    texture = cv2.GaussianBlur(draw.normal(0, 1, mask.shape), (0, 0), 2.0)
    cloth = np.array([180, 170, 150]) + (shade + grain * texture / texture.std())[..., None]
    image = np.ascontiguousarray(np.where(mask[..., None], cloth, image))
    cv2.ellipse(image, (340, 470), (120, 280), 0, 180, 360, (30, 30, 30), 26, cv2.LINE_AA)
    cv2.ellipse(mask, (340, 470), (120, 280), 0, 180, 360, 1, 26)
    for centre in (220, 460):
        cv2.rectangle(image, (centre - 20, 450), (centre + 20, 530), (25, 25, 25), -1, cv2.LINE_AA)
        cv2.circle(image, (centre, 470), 16, (150, 150, 150), 6, cv2.LINE_AA)
        cv2.circle(image, (centre, 515), 5, (200, 200, 200), -1, cv2.LINE_AA)
    image = image + draw.normal(0, 2, image.shape) * mask[..., None]
    return np.clip(image, 0, 255).astype(np.uint8), mask.astype(bool)


def as_faces(clean, one, other):
    """Duplicates and pairs of a clean delivery with a product that has these two files as front and back."""
    faces = [(f"FT-1_{view}.jpg", *face, "FT-1", view, {"captured_at": None}) for view, face in (("front", one), ("back", other))]
    return duplicates(*with_further(clean[0], *faces))


def exported_again(face):
    """A face as its supplier might send it again: in another compression, cropped, mirrored."""
    rgb, mask = cv2.imdecode(cv2.imencode(".jpg", face[0], [cv2.IMWRITE_JPEG_QUALITY, 80])[1], cv2.IMREAD_COLOR), face[1]
    return {
        "exported": (rgb, mask),
        "cropped": (np.ascontiguousarray(rgb[40:-20, 15:-30]), np.ascontiguousarray(mask[40:-20, 15:-30])),
        "mirrored": (np.ascontiguousarray(rgb[:, ::-1]), np.ascontiguousarray(mask[:, ::-1])),
    }


@pytest.mark.parametrize("grain", [0.0, 0.8])
def test_faces_that_share_bold_handles_and_fittings_are_no_duplicate(clean, grain):
    """What is bold agrees whatever the cloth shows; nothing but noise and faint grain tells two faces from one photograph exported again."""
    found, _ = as_faces(clean, fitted_face(1, grain), fitted_face(2, grain))
    assert found == set()


@pytest.mark.parametrize("how", ["exported", "cropped", "mirrored"])
def test_a_copy_whose_faint_grain_is_the_same_is_a_duplicate_for_all_its_bold_handles(clean, how):
    face = fitted_face(1, 0.8)
    found, _ = as_faces(clean, face, exported_again(face)[how])
    assert found == {"FT-1_front.jpg", "FT-1_back.jpg"}


def test_a_copy_of_a_face_without_grain_of_which_coding_left_no_noise_is_no_more_than_asked_about(clean):
    face = fitted_face(1, 0.0)
    found, pairs = as_faces(clean, face, exported_again(face)["cropped"])
    assert found == set()
    assert pairs[pairs["file_a"].str.startswith("FT-1")]["kind"].tolist() == ["two_faces"]


def test_the_two_sides_of_a_bag_that_mirror_each_other_are_no_duplicate_and_a_mirrored_copy_is(clean):
    one, other = fitted_face(3, 0.8), fitted_face(4, 0.8)

    def found(second):
        flipped = [np.ascontiguousarray(part[:, ::-1]) for part in second]
        sides = [(f"SD-1_{name}.jpg", *face, "SD-1", "side", {"captured_at": None}) for name, face in (("left", one), ("right", flipped))]
        return duplicates(*with_further(clean[0], *sides))[0]

    assert found(other) == set()
    assert found(one) == {"SD-1_left.jpg", "SD-1_right.jpg"}


@pytest.mark.parametrize(("dyed", "kind"), [(True, "recoloured"), (False, "re_export")])
def test_a_photograph_of_which_one_part_was_dyed_is_another_colourway(clean, dyed, kind):
    """The recolouring keeps the lightness, as a retoucher's layer in colour mode does: it moves what both pictures show alike nowhere."""
    rgb, mask = clean[1]["ST00-tan_front.jpg"]
    part = mask & (np.cumsum(mask, axis=0) <= 0.3 * mask.sum(axis=0))
    lab = cv2.cvtColor(rgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    lab[part, 1:] = lab[part, 1:] + ([0, -40] if dyed else [0, 1])
    other = np.clip(np.round(255 * cv2.cvtColor(lab, cv2.COLOR_LAB2RGB)), 0, 255).astype(np.uint8)
    delivery = Delivery()
    delivery.add("A_front.jpg", rgb, mask, "A", "front", captured_at=None)
    delivery.add("B_front.jpg", other, mask, "B", "front", captured_at=None)
    found, pairs = duplicates(*delivery.tables())
    assert (pairs["kind"].tolist(), bool(found)) == ([kind], kind != "recoloured")


def test_two_framings_of_one_photograph_under_one_view_are_told_from_two_rounds(clean):
    rgb, mask = clean[1]["ST00-tan_front.jpg"]
    height, width = mask.shape
    inner = [cv2.resize(one[height // 25 : -height // 25, width // 25 : -width // 25].astype(np.uint8), (width, height)) for one in (rgb, mask)]
    for again, kind in ((inner, "cropped_round"), ((np.clip(rgb * 1.05, 0, 255).astype(np.uint8), mask), "round")):
        delivery = Delivery()
        delivery.add("A_front.jpg", rgb, mask, "A", "front", captured_at=None)
        delivery.add("A_front_b.jpg", again[0].astype(np.uint8), again[1].astype(bool), "A", "front", captured_at=None)
        found, pairs = duplicates(*delivery.tables())
        assert (found, pairs["kind"].tolist()) == (set(), [kind])


def put_down_again(rgb, most):
    """The picture with its middle moved aside by so many px of 512, and new noise, as of a bag that was photographed a second time."""
    height, width = rgb.shape[:2]
    y, x = np.mgrid[:height, :width].astype(np.float32)
    aside = most * width / 512 * np.exp(-(((x / width - 0.5) / 0.15) ** 2) - ((y / height - 0.6) / 0.18) ** 2)
    moved = cv2.remap(rgb, x + aside.astype(np.float32), y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.clip(moved + np.random.default_rng(8).normal(0, 1, rgb.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("most", "kinds"), [(1.8, ["photographed_again"]), (0.0, ["re_export"])])
def test_a_bag_photographed_again_for_another_product_is_no_copy_but_tells_which_is_misfiled(clean, most, kinds):
    """Without capture times, as finals are: only what lies otherwise tells."""
    rgb, mask = clean[1]["ST01-tan_front.jpg"]
    again = ("ST02-red_front.jpg", put_down_again(rgb, most), mask)
    other = Delivery()
    for row in clean[0].rows:
        file, sketch = row["file"], clean[0].sketches[row["file"]]
        if file != again[0]:
            other.rows.append({**row, "captured_at": None})
            other.sketches[file] = sketch
    other.add(*again, "ST02-red", "front", captured_at=None)
    frames, sketches = other.tables()
    found, pairs = duplicates(frames, sketches)
    assert pairs["kind"][pairs["kind"] != "recoloured"].tolist() == kinds
    assert found == (set() if most else {"ST01-tan_front.jpg", "ST02-red_front.jpg"})
    wrong = misfiled(frames, sketches, pairs)
    assert wrong["file"].tolist() == ["ST02-red_front.jpg"]
    assert wrong["likely_sku"].tolist() == ["ST01-tan"]


def exposed(rgb, stops):
    """An sRGB picture in other light (IEC 61966-2-1)."""
    value = rgb / 255
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4) * 2.0**stops
    coded = np.where(light <= 0.0031308, light * 12.92, 1.055 * np.clip(light, 0, 1) ** (1 / 2.4) - 0.055)
    return np.clip(np.round(255 * coded), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("later", "throughout", "kind"),
    [("2026-03-03T09:00:00", True, "taken_again"), ("2026-03-02T09:00:00", True, "re_export"), ("2026-03-02T09:00:00", False, "recoloured")],
)
def test_a_detail_filed_twice_in_other_light_is_a_duplicate_unless_it_was_recoloured(clean, later, throughout, kind):
    """A third of a stop moves a detail that fills its frame by more than colourways differ; a recoloured file keeps its time, and its backdrop."""
    rgb, mask = clean[1]["ST00-tan_detail.jpg"]
    noise = np.random.default_rng(4).normal(0, 1, rgb.shape)
    darker = np.clip(exposed(rgb, -0.35).astype(int) + noise, 0, 255).astype(np.uint8)
    darker = darker if throughout else np.where(mask[..., None], darker, rgb)
    delivery = Delivery()
    delivery.add("A_detail.jpg", rgb, mask, "A", "detail", captured_at="2026-03-02T09:00:00")
    delivery.add("B_detail.jpg", darker, mask, "B", "detail", captured_at=later)
    found, pairs = duplicates(*delivery.tables())
    assert pairs["kind"].tolist() == [kind]
    assert found == (set() if kind == "recoloured" else {"A_detail.jpg", "B_detail.jpg"})


LIGHTS = {
    "a third of a stop brighter": lambda rgb: exposed(rgb, 0.35),
    "encoded values a fifth darker": lambda rgb: np.round(0.8 * rgb).astype(np.uint8),
    "a warmer white balance": lambda rgb: exposed(rgb, np.array([0.25, 0.0, -0.25])),
}


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("source", ["ST00-tan_front.jpg", "ST01-red_back.jpg"])
@pytest.mark.parametrize(
    ("sku", "view", "throughout", "copied"),
    [
        ("XX100-RED", "as it is", True, True),  # a colourway's file that shows the same photograph, its backdrop exposed otherwise, too
        ("XX100-RED", "as it is", False, False),  # a colourway made of the photograph, whose backdrop was left
        ("XX200-RED", "as it is", True, True),
        ("XX100-TAN", "three_quarter", True, True),
    ],
)
def test_a_photograph_filed_twice_in_other_light_is_a_copy_where_no_colourway_was_made_of_it(clean, light, source, sku, view, throughout, copied):
    rgb, mask = clean[1][source]
    other = LIGHTS[light](rgb)
    other = other if throughout else np.where(mask[..., None], other, rgb)
    delivery = Delivery()
    own = source.rpartition("_")[2].removesuffix(".jpg")
    delivery.add("one.jpg", rgb, mask, "XX100-TAN", own, captured_at=None)
    delivery.add("other.jpg", other, mask, sku, own if view == "as it is" else view, captured_at=None)
    assert duplicates(*delivery.tables())[0] == ({"one.jpg", "other.jpg"} if copied else set())


def test_a_dark_cut_out_made_brighter_moves_its_soft_edges_and_is_a_copy(clean):
    rgb, mask = clean[1]["ST00-tan_front.jpg"]
    cover = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 3.0)[..., None]
    cut_out = cover * 0.08 * rgb + (1 - cover) * 255
    delivery = Delivery()
    for sku, times in (("XX100-TAN", 1.0), ("XX200-RED", 1.2)):
        delivery.add(f"{sku}.jpg", np.round(np.minimum(times * cut_out, 255)).astype(np.uint8), mask, sku, "front", captured_at=None)
    assert duplicates(*delivery.tables())[0] == {"XX100-TAN.jpg", "XX200-RED.jpg"}


def test_a_detail_in_another_colour_at_another_time_is_no_duplicate(clean):
    rgb, mask = clean[1]["ST00-tan_detail.jpg"]
    other = np.clip(rgb * np.array([0.85, 1.0, 1.2]), 0, 255).astype(np.uint8)
    delivery = Delivery()
    delivery.add("A_detail.jpg", rgb, mask, "A", "detail", captured_at="2026-03-02T09:00:00")
    delivery.add("B_detail.jpg", other, mask, "B", "detail", captured_at="2026-03-03T09:00:00")
    assert duplicates(*delivery.tables())[0] == set()


def dark_crop(rgb):
    """Sketch of a dark flap over the sweep with a lock and stitches, of which the outline took the strip of sweep below for the product."""
    grain = cv2.GaussianBlur(np.random.default_rng(3).normal(0, 3, (256, 205, 3)).astype(np.float32), (0, 0), 1)
    picture = np.full((256, 205, 3), rgb, np.float32) + grain
    picture[214:] = 218
    cv2.circle(picture, (105, 120), 15, (124, 112, 98), -1)
    for left in range(8, 200, 12):
        cv2.line(picture, (left, 205), (left + 6, 205), (196, 170, 132), 2)
    picture = picture.clip(0, 255).astype(np.uint8)
    mask = np.zeros((256, 205), bool)
    mask[214:] = True
    preview = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])[1].ravel()
    return {"preview": preview, "thumb": cv2.resize(picture, (102, 128), interpolation=cv2.INTER_AREA), "mask": mask}


@pytest.mark.parametrize(("rgb", "kind"), [((32, 31, 33), "re_export"), ((38, 48, 84), "recoloured")])
def test_where_a_mask_crosses_the_frame_either_part_tells_the_colour(rgb, kind):
    """A black flap beside a navy one: what was masked, a strip of sweep, has one colour in both."""
    box = [0.0, 0.83, 1.0, 1.0]
    assert likeness.compare(dark_crop((32, 31, 33)), dark_crop(rgb), box, box, ("detail",)).kind == kind


@pytest.mark.parametrize(("later", "kind"), [("2026-03-02T09:00:00.45", "burst"), ("2026-03-02T09:00:00.25", "re_export"),
                                             ("2026-03-02T09:00:00", "re_export")])  # fmt: skip
def test_two_frames_of_one_second_are_a_burst_and_no_export(clean, later, kind):
    """Where both files keep the fraction of a second; an export that dropped it is one still."""
    rgb, mask = clean[1]["ST00-tan_front.jpg"]
    again = np.clip(rgb.astype(int) + np.random.default_rng(2).normal(0, 2, rgb.shape), 0, 255).astype(np.uint8)
    delivery = Delivery()
    delivery.add("A_front_1.jpg", rgb, mask, "A", "front", position=1, captured_at="2026-03-02T09:00:00.25")
    delivery.add("A_front_2.jpg", again, mask, "A", "front", position=2, captured_at=later)
    assert duplicates(*delivery.tables())[1]["kind"].tolist() == [kind]


def test_one_lining_for_a_style_is_shared(clean):
    rgb, mask = clean[1]["ST00-tan_detail.jpg"]
    for styles, kind in ((("S", "S"), "shared_lining"), (("S", "T"), "same_bytes")):
        delivery = Delivery()
        for sku, name in zip(("A", "B"), styles, strict=True):
            delivery.add(f"{sku}_interior.jpg", rgb, mask, sku, "interior", style=name)
        found, pairs = duplicates(*delivery.tables())
        assert pairs["kind"].tolist() == [kind]
        assert bool(found) == (kind == "same_bytes")


def test_nearly_flat_pictures_group_by_bytes_only():
    draw = np.random.default_rng(3)
    delivery = Delivery()
    for number in range(4):
        blank = np.clip(240 + draw.normal(0, 1, (300, 400, 3)), 0, 255).astype(np.uint8)
        delivery.add(f"blank{number}.jpg", blank, np.zeros((300, 400), bool), f"S{number}", "front", phash=None)
    frames, sketches = delivery.tables()
    frames.loc[3, "sha256"] = frames.loc[1, "sha256"]
    groups, pairs = group_pictures(frames, sketches)
    assert groups["duplicate_group"].tolist() == [pd.NA, 1, pd.NA, 1]
    assert groups["similar_group"].isna().all()
    assert pairs["kind"].tolist() == ["same_bytes"]


@given(st.sets(st.integers(0, 39), min_size=2))
@settings(deadline=None, max_examples=15)
def test_added_files_never_part_a_group(kept):
    """Of forty hashes in clumps, any subset's groups lie within the whole's."""
    hashes = clumped(5, 20)[:40]
    rows = [{"file": f"{n:02d}.jpg", "phash": f"{int(h):016x}", "sha256": str(int(h))} for n, h in enumerate(hashes)]
    whole, _ = group_pictures(table_from_rows("frames", rows), {})
    places = sorted(kept)
    part, _ = group_pictures(table_from_rows("frames", [rows[place] for place in places]), {})
    for number in part["similar_group"].dropna().unique():
        members = [place for place, group in zip(places, part["similar_group"], strict=True) if group is not pd.NA and group == number]
        assert whole["similar_group"][members].nunique() == 1


def test_an_empty_delivery_gives_empty_tables():
    frames = table_from_rows("frames", [])
    groups, pairs = group_pictures(frames, {})
    assert groups.columns.tolist() == ["duplicate_group", "similar_group"] and groups.empty and pairs.empty
    assert misfiled(frames, {}).empty


def exchanged(delivery, one, other):
    """The delivery with the contents of two files exchanged."""
    named = ("file", "sku", "view", "view_kind", "position", "style")
    rows = {row["file"]: dict(row) for row in delivery.rows}
    contents = {file: {key: value for key, value in rows[file].items() if key not in named} for file in (one, other)}
    for file, source in ((one, other), (other, one)):
        rows[file] = {key: rows[file][key] for key in named if key in rows[file]} | contents[source]
    changed = Delivery()
    changed.rows = list(rows.values())
    changed.sketches = delivery.sketches | {one: delivery.sketches[other], other: delivery.sketches[one]}
    return changed.tables()


EXCHANGES = [
    ("ST00-tan_front.jpg", "ST00-red_front.jpg", "wrong_product"),
    ("ST00-tan_front.jpg", "ST02-black_front.jpg", "wrong_product"),
    ("ST01-black_back.jpg", "ST02-red_back.jpg", "wrong_product"),
    ("ST00-red_front.jpg", "ST01-red_front.jpg", "wrong_product"),
    ("ST01-red_front.jpg", "ST01-red_back.jpg", "swapped_views"),
    ("ST02-black_front.jpg", "ST02-black_back.jpg", "swapped_views"),
    ("ST02-tan_front.jpg", "ST02-tan_three_quarter.jpg", "swapped_views"),
    ("ST01-red_front.jpg", "ST01-red_detail.jpg", "swapped_views"),
    ("ST01-red_detail.jpg", "ST01-tan_detail.jpg", "wrong_detail"),
    ("ST00-tan_detail.jpg", "ST00-black_detail.jpg", "wrong_detail"),
    ("ST02-red_detail.jpg", "ST02-tan_detail.jpg", "wrong_detail"),
    ("ST01-red_detail.jpg", "ST02-black_detail.jpg", "wrong_detail"),
    ("ST01-red_detail.jpg", "ST02-red_detail.jpg", "wrong_detail"),
]


def test_nothing_is_misfiled_in_a_clean_delivery(clean):
    assert misfiled(*clean[0].tables()).empty


@pytest.mark.parametrize(("one", "other", "kind"), EXCHANGES)
def test_two_pictures_filed_under_one_anothers_names_are_found(clean, one, other, kind):
    found = misfiled(*exchanged(clean[0], one, other))
    assert set(found["file"]) == {one, other}
    assert set(found["kind"]) == {kind}
    if kind != "swapped_views":
        skus = {file: file.partition("_")[0] for file in (one, other)}
        assert dict(zip(found["file"], found["likely_sku"], strict=True)) == {one: skus[other], other: skus[one]}


def without_outlines_of_details(tables):
    """The same, as it is where products fill the frames of their details: no outline is sure enough to be kept."""
    frames, sketches = tables
    details = set(frames["file"][frames["view"] == "detail"])
    return frames, {file: {k: v for k, v in sketch.items() if k != "mask" or file not in details} for file, sketch in sketches.items()}


def test_details_that_fill_the_frame_are_judged_without_an_outline(clean):
    assert misfiled(*without_outlines_of_details(clean[0].tables())).empty
    for one, other, kind in [exchange for exchange in EXCHANGES if exchange[2] == "wrong_detail"]:
        found = misfiled(*without_outlines_of_details(exchanged(clean[0], one, other)))
        assert set(found["file"]) == {one, other} and set(found["kind"]) == {kind}


def test_a_product_of_two_colours_is_not_misfiled(clean):
    """A red bag with a tan back: nothing fits another product's outline and colour better."""
    delivery = clean_delivery(1, {"duo": SHADES["red"]}, seed=7)
    delivery.rows = [row for row in delivery.rows if row["view"] != "back"]
    delivery.add("ST00-duo_back.jpg", *photograph(style(700), SHADES["tan"], "back", "duo"), "ST00-duo", "back", style="ST00x")
    both = Delivery()
    both.rows, both.sketches = clean[0].rows + delivery.rows, clean[0].sketches | delivery.sketches
    assert misfiled(*both.tables()).empty


def test_files_without_a_byte_are_no_duplicates_and_damaged_twins_are():
    rows = [{"file": f"{name}.jpg", "sha256": name[0] * 64, "bytes": size, "status": "not_measured"} for name, size in (("a1", 0), ("a2", 0), ("b1", 9), ("b2", 9))]
    groups, pairs = group_pictures(table_from_rows("frames", rows), {}, ())
    assert groups["duplicate_group"].isna().tolist() == [True, True, False, False]
    assert len(pairs) == 1
