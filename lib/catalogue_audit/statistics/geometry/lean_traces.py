"""
What a tilt to or from the camera leaves in an outline, beside other pictures of the same shape.

Two heights over the width of the body, of the body's upper edge and of the rear handle's crown, and the taper: how
much larger the body is at its top. A point a depth z behind the edge the body stands on rises by z times the sine of the tilt (pinhole camera,
small angles). Of a box the upper edge is the rear one; the outline of a body that is round from front to back does
not change, and its base is the line under its middle. Sewn goods repeat each of them only so well, and any of
them may be far off.
"""

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import STRAIGHT_ON
from catalogue_audit.statistics.geometry.camera_distance import ONE_SHAPE
from catalogue_audit.statistics.geometry.handles import APART
from catalogue_audit.statistics.geometry.keystones import keystones_of
from catalogue_audit.statistics.geometry.tapers import laid_in_turn
from catalogue_audit.statistics.robust import MAD_TO_SIGMA, MEDIAN_EFFICIENCY, mad_scale
from catalogue_audit.statistics.spread import spread
from catalogue_audit.statistics.styles import shapes_of

TRACES = ("body", "crown", "taper")
FAR_OFF = 0.01  # share of traces that something else has moved; 1 of 140 on rendered bags
# Of the logarithms of both heights over the body's width, and of the sine of the tilt that the taper shows: how well pieces repeat them
# where their style does not say, how well at best, what a strap over the sides adds, and the size of what is far off.
USUAL_SDS = np.array([0.007, 0.007, 0.05])
LEAST_SDS = np.array([0.004, 0.004, 0.03])
STRAP_SDS = np.array([0.010, 0.006, 0.03])
FAR_SDS = np.array([0.08, 0.08, 0.35])
WELL_REPEATED = 0.0025  # of the body's width; scatter between outlines of pieces up to which all of this holds
BOX_LEVER, ROUND = 0.85, 0.3  # depth from base to upper edge over the depth, of boxes; share of round bodies, whose outline no tilt changes
ROLL_SHAPED, ROUND_ROLLS = 0.8, 0.7  # depth over height from which a body is more likely a roll lying down; share of round ones then: common practice, no source
LEANING = math.sin(math.radians(6.0))  # of a lean that is plain to see
LEVER_SD = 0.25  # of a lever, relative; on rendered bags of four styles
CROWNS_APART = tuple((apart, 1 / 3) for apart in (0.35, 0.7, APART))  # distance between handles' crowns over the depth, for many lean towards each other, and how likely each is: on rendered bags of two makes
CROWNS_UPRIGHT = ((APART, 1.0),)  # the same of handles that stand as far apart as the body is deep, which a lean moves most
RAISED = 0.3  # of handles that are off level, those whose rear one is the one that moved
SHORTENING = math.sin(math.radians(9.0))  # of the height, for the body's middle is seen from so far above: common practice, no source
SHORTENING_SD = math.sin(math.radians(3.0))
FEWEST_OTHERS = 2  # pictures beside one's own from which there is a middle one
MOST_COPIES = 8  # pictures of one product and view that are laid beside all of the other view; more are copies, or a burst
FEWEST_OF_STYLE = 4  # from which a style's own scatter is known
OF_FEW = 2.0  # what the scatter of few pieces is short of, times their number: Student's t at 95 % of five is 1.4 normal ones
MOST_APART = 0.25  # natural log of height over width, beyond what any tilt does: one of the two shows something else
SURE_KEYSTONE = math.sin(math.radians(3.5))  # standard uncertainty; unsurer ones tell no more than tapers do
MOST_KEYSTONE = math.sin(math.radians(25.0))  # two pictures of one thing whose sides tell of more have no sides in common
REPEATED = 0.0025  # how well sides of one shape repeat, natural log of width a width upwards
LEAST_WORTH, USUAL_PICTURES = 0.5, 8  # of what keystones state; pictures that what is usual is worth
USUAL_LEAN_DEG, LEAST_LEAN_DEG = 0.7, 0.3  # how upright a product is set by eye, and at best: common practice, no source
SURE_UPRIGHT = math.sin(math.radians(2.0))  # standard uncertainty of keystones that tell it
HIDDEN_TURN = 0.06  # sine of the turn up to which the front hides the side: half the width over the distance


class Seen(NamedTuple):
    """
    One picture beside another, or beside the middle of others.

    Attributes
    ----------
    values, sds : (3,) float
        Differences by `TRACES` and their standard uncertainties; NaN where unknown.
    depth, tall, crown_tall : float
        Depth of the body, its height and the crown's, over its width.
    depth_sd : float
        Standard uncertainty of the depth, relative.
    """

    values: np.ndarray
    sds: np.ndarray
    depth: float
    tall: float
    crown_tall: float
    depth_sd: float = 0.0


class Traces(NamedTuple):
    """
    Straight-on pictures that show a body which the frame does not cut.

    Attributes
    ----------
    table : DataFrame
        Index as the frames: ``shape`` (whose pictures are alike), ``style``, ``sku``, ``view``, ``strap``; the `TRACES`, ``crown`` NaN
        without two handles, ``taper`` against the first picture of the shape and NaN where it has been straightened or the body is no box; ``turn_sd``, what a turn
        does to the heights; ``misfit``, scatter of the outline beside that picture's, over `WELL_REPEATED`, at least 1.
    sizes : DataFrame
        ``depth``, ``tall``, ``crown_tall`` and ``depth_sd`` as in `Seen`.
    scatter : dict of str to (3,) float
        Style to how well its pieces repeat the traces.
    keystones : dict of (place, place) to (float, float)
        Of two pictures of a shape, either way round, the sine of one's tilt less that of the other by their sides, and its standard
        uncertainty; those that tell more than a ``taper`` does.
    upright_sd_deg : float
        How upright products are set in this delivery.
    """

    table: pd.DataFrame
    sizes: pd.DataFrame
    scatter: dict
    keystones: dict
    upright_sd_deg: float

    @classmethod
    def of(cls, frames, sketches, stands):
        """`Traces` of some frames."""
        whole = ~frames["touches"].fillna("").astype(str).str.contains("bottom|top|left|right")
        known = stands[["base", "shoulders", "width"]].notna().all(axis=1) & (stands["base"] > stands["shoulders"])
        usable = (frames["view_kind"] == "upright") & whole & known & frames["sku"].notna() & frames["view"].isin(STRAIGHT_ON)
        stands, frames = stands[usable], frames[usable]
        crown = stands["base"] - stands["rear"].where(stands["two_handled"].astype(bool))
        yaw, yaw_sd = (pd.to_numeric(frames[name], errors="coerce").astype(float).fillna(0.0) for name in ("yaw_deg", "yaw_sd_deg"))
        table = frames[["sku", "view", "style"]].assign(
            shape=_by_name(frames, stands),
            strap=frames["strap_state"].fillna("none"),
            body=np.log((stands["base"] - stands["shoulders"]) / stands["width"]),
            crown=np.log(crown.where(crown > 0) / stands["width"]),
            turn_sd=stands["depth"] * (np.sin(np.radians(np.hypot(yaw, yaw_sd))) - HIDDEN_TURN).clip(lower=0.0),
        )
        sizes = pd.DataFrame({"depth": stands["depth"], "tall": np.exp(table["body"]), "crown_tall": np.exp(table["crown"]), "depth_sd": stands["depth_sd"] / stands["depth"]})
        rolls = sizes["depth"] * (1 - sizes["depth_sd"]) > ROLL_SHAPED * sizes["tall"]  # a depth that is only what is usual makes no roll of a low body
        gains = stands["focal"] / stands["width"]
        table = table.join(_tapers(table, frames, sketches, gains, rolls))
        keystones = _keystones(table, frames, sketches, gains, rolls)
        return cls(table, sizes, _scatters(table), keystones, _upright(keystones))

    def pairs(self):
        """Places of a product's front and back, where its shape has no more pictures."""
        several = self.table.drop_duplicates(["sku", "view"])["shape"].value_counts() > FEWEST_OTHERS
        for _, group in self.table[~self.table["shape"].map(several).astype(bool)].groupby("sku", sort=True):
            fronts, backs = (group.index[group["view"] == view] for view in STRAIGHT_ON)
            for number, one in enumerate(fronts):
                for other in backs if number < MOST_COPIES else backs[:MOST_COPIES]:
                    if abs(group["body"][one] - group["body"][other]) < MOST_APART:
                        yield one, other


def _by_name(frames, stands):
    """Whose pictures show one shape: as `handle_stands` tells it by supplied sizes, else of colourways by their names, of one style and as slender."""
    own = stands["shape"] == frames["sku"].astype(str)
    name = shapes_of(frames)
    slender = np.log((stands["base"] - stands["shoulders"]) / stands["width"])
    off = (slender - slender.groupby(name).transform("median")).abs()
    leaning = BOX_LEVER * stands["depth"] / np.exp(slender) * LEANING  # a product has one shape, also where it leans in one of its pictures
    alike = (off < ONE_SHAPE) | ((off < ONE_SHAPE + leaning) & (off < ONE_SHAPE).groupby(frames["sku"].astype(str)).transform("any"))
    return stands["shape"].where(~(own & alike), name)


def _keystones(table, frames, sketches, gains, rolls):
    """`Traces.keystones`; how well sides repeat is learned from all of a delivery's pairs."""
    usable = table.index[~(_straightened(frames) | rolls).to_numpy(dtype=bool, na_value=False)]
    shapes = [list(group.index) for _, group in table.loc[usable].groupby("shape", sort=True) if len(group) > 1]
    pictures = [tuple(zip(frames.loc[places, "file"], gains[places], strict=True)) for places in shapes]
    told = [(places[one], places[other], growth, sd) for places, pairs in zip(shapes, _made(keystones_of, pictures, sketches), strict=True) for one, other, growth, sd in pairs]
    worth = _worth(told)
    found = {}
    for one, other, growth, sd in told:
        gain = 0.5 * (gains[one] + gains[other])
        sine, sine_sd = gain * growth, worth * gain * math.hypot(sd, REPEATED)
        if sine_sd < SURE_KEYSTONE and abs(sine) < MOST_KEYSTONE:
            found[one, other], found[other, one] = (sine, sine_sd), (-sine, sine_sd)
    return found


def _worth(told):
    """By how much nearer than they state keystones lie to none, in the delivery's own pairs, beside what is usual: most pictures stand upright."""
    off = [abs(growth) / math.hypot(sd, REPEATED) for _, _, growth, sd in told]
    if not off:
        return 1.0
    pictures = len({place for one, other, _, _ in told for place in (one, other)})
    own = np.clip(MAD_TO_SIGMA * float(np.median(off)), LEAST_WORTH, 1.0)
    return math.sqrt((USUAL_PICTURES + pictures * own**2) / (USUAL_PICTURES + pictures))


def _upright(keystones):
    """How upright products are set, degrees: by eye, and as sure keystones of the delivery scatter, which is at least as much."""
    sure = {two: sine for two, (sine, sd) in keystones.items() if sd < SURE_UPRIGHT and two[0] < two[1]}
    if not sure:
        return USUAL_LEAN_DEG
    own = max(MAD_TO_SIGMA * math.degrees(float(np.median(np.abs(list(sure.values()))))) / math.sqrt(2), LEAST_LEAN_DEG)
    pictures = len({place for two in sure for place in two})
    return math.sqrt((USUAL_PICTURES * USUAL_LEAN_DEG**2 + pictures * min(own, USUAL_LEAN_DEG) ** 2) / (USUAL_PICTURES + pictures))


def _straightened(frames):
    """Pictures whose verticals may have been straightened."""
    return (frames["origin"] == "derived") | (frames["backdrop"] == "cut_out")


def _tapers(table, frames, sketches, gains, rolls):
    """``taper`` and ``misfit`` of `Traces.table`: each outline laid over the first one of its shape, mirrored in back views."""
    found = dict.fromkeys(table.index, (math.nan, 1.0))
    no_box = [(sketches.get(file) or {}).get("upper_edge") is None for file in frames["file"]]  # a tilt lifts a dome, and makes no difference to a roll
    unusable = _straightened(frames) | np.array(no_box, bool) | rolls
    pictures = dict(zip(table.index, zip(frames["file"], table["view"] != STRAIGHT_ON[0], strict=True), strict=True))
    shapes = [group.index for _, group in table.groupby("shape", sort=True) if len(group) > 1]
    for places, (first, laid_ones) in zip(shapes, _made(laid_in_turn, [tuple(map(pictures.get, places)) for places in shapes], sketches), strict=True):
        for place, laid in zip(places, laid_ones, strict=True):
            if laid is not None:
                sine = 0.0 if pictures[place] == first else gains[place] * laid[0]
                found[place] = math.nan if unusable[place] else sine, max(1.0, laid[1] / WELL_REPEATED)
    return pd.DataFrame.from_dict(found, orient="index", columns=["taper", "misfit"], dtype=float)


def _made(function, shapes, sketches):
    """What a function of sketches and of a shape's pictures tells of each; what was told before, in finding or judging, is not worked out again."""
    kept = getattr(sketches, "made", {})
    new = [pictures for pictures in dict.fromkeys(shapes) if (function.__name__, pictures) not in kept]
    kept.update(zip([(function.__name__, pictures) for pictures in new], spread(function, new, sketches), strict=True))
    return [kept[function.__name__, pictures] for pictures in shapes]


def _scatters(table):
    """Style to the robust scatter of its pieces about the middle of their shape, where it has enough."""
    one = table.drop_duplicates(["sku", "view"])
    alike = one["shape"] + " " + one["strap"]
    count = one.groupby(alike)["sku"].transform("size")
    own = one[list(TRACES)] - one[list(TRACES)].groupby(alike).transform("median")
    own = (own * np.sqrt(count / (count - 1).clip(lower=1)).to_numpy()[:, None])[count > FEWEST_OTHERS]
    found = {}
    for style, group in own.groupby(one["style"].fillna("")):
        counts = group[list(TRACES)].notna().sum()
        sds = [mad_scale(group[name]) * (1 + OF_FEW / counts[name]) if counts[name] >= FEWEST_OF_STYLE else math.nan for name in TRACES]
        found[style] = np.where(np.isfinite(sds), np.maximum(sds, LEAST_SDS), USUAL_SDS)
    return found


def _own_sds(traces, rows):
    """How well pictures' traces are worth those of their shape, but for straps: (n, 3); ``rows`` as `records` gives them."""
    sds = [traces.scatter.get(row["style"], USUAL_SDS) if isinstance(row["style"], str) else USUAL_SDS for row in rows]
    return np.hypot(np.reshape(sds, (-1, 3)), [(row["turn_sd"], row["turn_sd"], 0.0) for row in rows])


def records(traces):
    """Place to the row of `Traces.table` with its ``sizes``, as a dict each."""
    sizes = list(traces.sizes.itertuples(index=False, name=None))
    rows = traces.table.to_dict("records")
    return {place: row | {"sizes": size, "place": place} for place, row, size in zip(traces.table.index, rows, sizes, strict=True)}


def from_others(traces):
    """Place and `Seen` of each picture beside the middle of the others of its shape, where there are enough."""
    rows = records(traces)
    for _, group in traces.table.groupby("shape", sort=True):
        here = [rows[place] for place in group.index]
        first = {}  # of each product and view one
        for row, one in enumerate(here):
            first.setdefault((one["sku"], one["view"]), row)
        if len(first) <= FEWEST_OTHERS:
            continue
        values = np.array([[one[name] for name in TRACES] for one in here])
        straps, misfits = np.array([one["strap"] for one in here], object), np.array([one["misfit"] for one in here])
        own_sds = _own_sds(traces, here)
        for row, (place, one) in enumerate(zip(group.index, here, strict=True)):
            others = np.array([other for key, other in first.items() if key != (one["sku"], one["view"])])
            alike = others[straps[others] == one["strap"]]
            strap = STRAP_SDS * (len(alike) < FEWEST_OTHERS and len(alike) < len(others))
            others = alike if len(alike) >= FEWEST_OTHERS else others
            sds = np.hypot(own_sds[row], strap) * max(one["misfit"], float(np.median(misfits[others])))
            seen = values[others]
            told = any((place, other) in traces.keystones for other in group.index)
            seen = np.where([False, False, told], math.nan, seen)  # these say the same, and better
            beside = [_beside(one[name], seen[~np.isnan(seen[:, k]), k], sds[k]) for k, name in enumerate(TRACES)]
            yield place, Seen(*np.array(beside).T, *one["sizes"])


def _beside(value, others, sd):
    """Difference from the middle of others and its standard uncertainty; NaN where there are too few."""
    if not math.isfinite(value) or len(others) < FEWEST_OTHERS:
        return math.nan, math.nan
    middle_sd = MEDIAN_EFFICIENCY * max(sd, float(np.std(others))) / math.sqrt(len(others))
    if len(others) == FEWEST_OTHERS:
        middle_sd = math.hypot(middle_sd, 0.5 * np.ptp(others))  # either of two may be the odd one
    return value - float(np.median(others)), math.hypot(sd, middle_sd)


def difference(traces, first, second):
    """`Seen` of one picture beside another of the same product; both as `records` gives them."""
    strap = STRAP_SDS * (first["strap"] != second["strap"])
    own = _own_sds(traces, (first, second))
    sds = np.hypot(np.hypot(*own), strap) * max(first["misfit"], second["misfit"])
    values = np.array([first[name] - second[name] for name in TRACES])
    values[2], sds[2] = traces.keystones.get((first["place"], second["place"]), (values[2], sds[2]))
    return Seen(values, sds, *first["sizes"])


def handle_weights(seen, sines, other_sines, levels, other_levels, crowns=CROWNS_APART):
    """
    Likelihood of each pair of tilts, with the first picture's handles level and off level.

    Parameters
    ----------
    seen : Seen
    sines : (n, 1) float
        Of the first picture's tilts.
    other_sines : (1, m) float
    levels, other_levels : pair of (n,) and of (m,) float
        Likelihood of the handles' gap in either picture, level and off level.
    crowns : sequence of (float, float)
        As `CROWNS_APART`.

    Returns
    -------
    level, off_level : (n, m) float
    """
    (mine, mine_off), (its, its_off) = ([told[:, None] for told in levels], [told[None] for told in other_levels])
    level = off = 0.0
    round_share = ROUND_ROLLS if seen.depth > ROLL_SHAPED * seen.tall else ROUND
    for rounded, share in ((True, round_share), (False, 1 - round_share)):
        share = share * _body(seen, sines - other_sines, rounded)
        steady, moved = _crown(seen, sines, other_sines, rounded, crowns)
        level = level + share * mine * (its * steady + its_off * moved)
        off = off + share * mine_off * (its + its_off) * moved
    return level, off


def _body(seen, apart, rounded):
    """Likelihood of the body's height and taper."""
    reach = 0.0 if rounded else BOX_LEVER * seen.depth / seen.tall
    lever, lever_sd = reach - (not rounded) * SHORTENING, math.hypot(math.hypot(LEVER_SD, seen.depth_sd) * reach, (not rounded) * SHORTENING_SD)
    body, _, taper = seen.values
    likely = 1.0
    if math.isfinite(body):
        likely = _either(body - lever * apart, np.hypot(seen.sds[0], lever_sd * apart), FAR_SDS[0])
    if math.isfinite(taper):
        likely = likely * _either(taper - apart, seen.sds[2], FAR_SDS[2])
    return likely


def _crown(seen, sines, other_sines, rounded, crowns):
    """Likelihood of the rear crown's height, of level handles and of handles that are not."""
    value, sd = seen.values[1], seen.sds[1]
    if not math.isfinite(value):
        return 1.0, 1.0
    base, shortened = 0.0 if rounded else 0.5 * seen.depth, sines - other_sines
    steady = 0.0
    for apart, share in crowns:
        rear, front = ((base + way * 0.5 * apart * seen.depth) / seen.crown_tall for way in (1, -1))
        highest = lambda sine, rear=rear, front=front: np.maximum(rear * sine, front * sine)  # leaning away, the front one is the higher one
        rise = highest(sines) - highest(other_sines)
        unsure = np.hypot(math.hypot(LEVER_SD, seen.depth_sd) * rise, SHORTENING_SD * shortened)
        steady = steady + share * _either(value - rise + SHORTENING * shortened, np.hypot(sd, unsure), FAR_SDS[1])
    return steady, (1 - RAISED) * steady + RAISED * _normal(value, FAR_SDS[1])


def _either(off, sd, far):
    """Likelihood of a measure that holds, or that something else has moved."""
    return (1 - FAR_OFF) * _normal(off, sd) + FAR_OFF * _normal(off, far)


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / sd
