"""
Camera heights of straight-on and three-quarter pictures, by the ground about their bases.

Each picture is compared (`ground.longer`) with the same view of its style's next products and, straight on, with its product's view
from the other side. Most are photographed from one height; of two that differ either may be the odd one, which the others' comparisons
tell: belief propagation (Pearl 1988) weighs all of it.
"""

import collections
import functools
import math
import statistics
from typing import NamedTuple

import numpy as np

from catalogue_audit.measures.applicability import STRAIGHT_ON, shows_a_turn
from catalogue_audit.measures.geometry.handles import USUAL_LOOK_DEG
from catalogue_audit.statistics.geometry import ground
from catalogue_audit.statistics.geometry.camera_aim import aims
from catalogue_audit.statistics.spread import spread
from catalogue_audit.statistics.styles import styles_of, sure_stems

HEIGHTS_DEG = np.arange(-10.0, 10.01, 0.5)
FLAT = np.ones(len(HEIGHTS_DEG))
FAULT, FAULT_DEG = 0.05, 3.0  # share and size of cameras that look down otherwise than for the others: common practice, no source
AIMED_FAULT, AIMED_FAULT_DEG = 0.35, 5.0  # the same of cameras that aim otherwise (`camera_aim`); common practice, no source
MOVED, MOVED_SD_DEG = 0.5, 1.5  # share of them that were taken from where two rather were, and how alike they are then
LINES_SD, OTHER_LINES = 0.01, 0.6  # of the frame's height: how alike base lines lie then, and what those that were moved otherwise lie anywhere in
RATHER_MOVED, LEAST_MOVED_DEG, FEWEST_MOVED = 1.8, 1.5, 2  # uncertainties, degrees, pictures
SHARED = 0.5  # share of them from where the product's other views were taken too, for they follow each other; common practice, no source
USUAL_SD_DEG = 0.35  # how alike the camera looks down from picture to picture
OWN_SHARE = 0.5  # of a comparison's uncertainty, what either picture brings to all its comparisons
REST = math.sqrt(1 - 2 * OWN_SHARE**2)  # what is the comparison's own
# How well log lengths of two grounds are worth the heights, beside what a comparison states: of one product, of its colourways, of one style,
# of any two. On rendered bags of two makes; what those that share no shape are off is most of all their shapes'.
OWN_SD, COLOURWAY_SD, STYLE_SD, ANY_SD = 0.03, 0.055, 0.08, 0.3
WORTH_PAIRS, FEWEST_PAIRS, LEAST_SD = 8, 8, 0.01  # what is usual counts as so many pairs; pairs that tell a delivery's own; no two grounds are more alike
CONTRADICTED = 3.0  # standard uncertainties between a ground and a corner of one picture
ODD, ODD_SD = 0.02, 0.5  # share of grounds that something else has changed, and by how much
# Share of the length that a height makes, and its standard uncertainty: what the lens darkens and what stands behind the ground keeps
# its length, and the camera's usual look down is known to two degrees. 0.75 and 0.94 on rendered bags of two makes.
SHOWN, SHOWN_SD = 0.85, 0.15
LEAST_BLUR_DEG = 0.1
LEAST_ELEVATION_DEG = 1.0  # of the camera above the base; seen flatter, a ground shows nothing
MOST_PARTNERS = 3  # of a copy, in three-quarter views
ROUNDS = 4  # of messages; chains of a few pictures settle in them
AT_HAND = 256  # tables of two heights, 13 kB each, that are kept between rounds: all of a small delivery's; a large one's are made anew, as they are asked for


def height_weights(frames, sketches, stands, corners=None):
    """
    What the grounds tell of each picture's camera height.

    Parameters
    ----------
    frames : DataFrame
        With ``file``, ``sku``, ``style``, ``view``, ``view_kind``, ``touches``, ``origin``, ``backdrop``; ``camera_pitch_deg`` where there are `corners`.
    sketches : mapping of str to dict
        Uses ``preview``, ``mask`` and ``outline``.
    stands : DataFrame
        As `statistics.geometry.handles.handle_stands` gives it.
    corners : DataFrame, optional
        Index as `frames`: ``pitch`` and ``pitch_sd``, degrees, what the product's own corner tells beside the view's others.

    Returns
    -------
    dict
        Place -> `Told`. Cut-outs and retouched pictures show no ground.
    """
    voters, others = _pictures(frames)
    shapes = sure_stems(frames["sku"])
    kinds = styles_of(frames)
    rows = frames[["file", "sku", "view"]].assign(kind=kinds, shape=shapes, focal=stands["focal"]).loc[[*voters, *others]].to_dict("index")
    copies, pairs = set(others), _compared(rows, sorted(_to_compare(rows, voters, others)), sketches)
    compared, own_sds = _by_grounds(pairs, rows, copies)
    odd = _odd_shapes(compared, own_sds, rows, set(voters), _own_corners(frames, corners))
    compared, own_sds = _by_grounds(pairs, rows, copies, odd) if odd else (compared, own_sds)
    for one, other in _turned_beside_square(rows, sorted(own_sds)):
        compared[one][other], compared[other][one] = Beside(None), Beside(None, True)
    del pairs, rows  # of a large delivery as much as all that is told
    corner = {} if corners is None else corners[corners.notna().all(axis=1)].to_dict("index")
    aimed = {place: aim for place, aim in zip(frames.index, aims(frames), strict=True) if math.isfinite(aim)}
    alone = {place: Told(NO_MESSAGES, {}, sd, _by_corner(corner.get(place))) for place, sd in own_sds.items()}
    told = _weighed(compared, {place: one._replace(corner=one.corner * (OF_AIMED if place in aimed else FLAT)) for place, one in alone.items()}, set(voters))
    lines = [aimed[place] for place in sorted(aimed.keys() & told)]
    moved = _moved([told[place].weights() for place in sorted(aimed.keys() & told)], lines)
    if moved is None:
        return told
    of_moved = {place: _of_moved(*moved, aimed[place]) if place in aimed else FLAT for place in alone}
    return _weighed(compared, {place: one._replace(corner=one.corner * of_moved[place]) for place, one in alone.items()}, set(voters))


def _by_grounds(pairs, rows, copies, odd=frozenset()):
    """
    What grounds of pairs, as `_compared` gives them, say of heights, those of ``odd`` shapes beside others little.

    Returns
    -------
    compared : dict of place to dict of place to Beside
    own_sds : dict of place to float
        Degrees, of what its own picture adds to all comparisons.
    """
    compared, own_sds, repeated = {}, {}, _repeated(pairs)
    for (one, other, sd, log_length, log_sd, off, below, its_below, look), share in zip(pairs, _shares(pairs, rows, repeated), strict=True):
        beside_odd = sd > COLOURWAY_SD and (rows[one]["shape"] in odd or rows[other]["shape"] in odd)
        of_one = rows[one]["sku"] == rows[other]["sku"] and not copies & {one, other}
        seen = log_length, log_sd, below, its_below, ODD_SD if beside_odd else repeated[sd], look, share, of_one
        for place, partner, of_other, lower, its in ((one, other, False, off, below), (other, one, True, -off, its_below)):
            compared.setdefault(place, {})[partner] = Beside(seen, of_other, lower if sd <= COLOURWAY_SD else None)
            own_sds[place] = min(OWN_SHARE * log_sd * _degrees(look + its), own_sds.get(place, math.inf))
    return compared, own_sds


def _own_corners(frames, corners):
    """Place to pitch and its standard uncertainty, degrees, of pictures whose corner shows two edges and so tells their camera's height alone."""
    if corners is None:
        return {}
    shown = corners.notna().all(axis=1) & frames["camera_pitch_deg"].notna()
    return {place: (corner["pitch"], max(corner["pitch_sd"], USUAL_SD_DEG)) for place, corner in corners[shown].to_dict("index").items()}


def _odd_shapes(compared, own_sds, rows, voters, corners):
    """
    Shapes whose ground is odd in itself: in a turned view it tells another camera height than that view's own corner does.

    What makes it so (an overhang, a bright hem, what stands near) does in all views of the shape, while of a camera that stood elsewhere the corner tells as well.
    """
    if corners.keys().isdisjoint(own_sds):
        return frozenset()
    told = _weighed(compared, {place: Told(NO_MESSAGES, {}, sd, FLAT) for place, sd in own_sds.items()}, voters)
    odd = set()
    for place, (pitch, pitch_sd) in corners.items():
        if place in told:
            weight = told[place].weights()
            mean = float(weight @ HEIGHTS_DEG / weight.sum())
            sd = math.sqrt(float(weight @ (HEIGHTS_DEG - mean) ** 2 / weight.sum()))
            odd |= {rows[place]["shape"]} if abs(mean - pitch) > CONTRADICTED * math.hypot(sd, pitch_sd) else set()
    return frozenset(odd)


def _moved(weights, lines):
    """
    Height from which all pictures were taken that aim otherwise, degrees, by the weights of each's heights, (n,); None where not two of them rather say so.

    One camera was moved once: then that a third picture was taken from there too is no third fault. With it comes where their base lines lie, as ``lines`` of all.
    """
    means = [float(weight @ HEIGHTS_DEG / weight.sum()) for weight in weights]
    sds = [math.sqrt(float(weight @ (HEIGHTS_DEG - mean) ** 2 / weight.sum())) for weight, mean in zip(weights, means, strict=True)]
    likely = [told for told in zip(means, sds, lines, strict=True) if abs(told[0]) > max(RATHER_MOVED * told[1], LEAST_MOVED_DEG)]
    if len(likely) < FEWEST_MOVED or len({mean > 0 for mean, _, _ in likely}) > 1:
        return None
    found, sd, line = np.array(likely).T
    return float(found @ sd**-2 / (sd**-2).sum()), float(np.median(line))


def _of_moved(height, line, own_line):
    """By how much likelier each height is of a picture that aims otherwise where two were rather taken from a height; the more where its base line lies as theirs do."""
    with_them = MOVED * _normal(own_line - line, LINES_SD) / math.sqrt(2 * math.pi)
    share = max(MOVED, with_them / (with_them + (1 - MOVED) / OTHER_LINES))
    return ((1 - share) * USUAL + share * _normal(HEIGHTS_DEG - height, MOVED_SD_DEG)) / USUAL


class Beside(NamedTuple):
    """
    What a picture's ground shows beside another's.

    Attributes
    ----------
    seen : tuple or None
        What `_likelihood` takes; None of two that show no ground of each other's and are of one product.
    of_other : bool
        Whether the other picture is the first of ``seen``.
    lower : float or None
        How much farther below its base the ground lies, widths of the body; None where the other is of another shape.
    """

    seen: tuple | None
    of_other: bool = False
    lower: float | None = None

    def likelihood(self):
        """(n, n) likelihood of each pair of heights, its own and that picture's; made where it is asked for, as a large delivery has no room for all of them."""
        if self.seen is None:
            return OF_ONE_PRODUCT
        return _likelihood(*self.seen).T if self.of_other else _likelihood(*self.seen)


class Told(NamedTuple):
    """
    What is known of one picture's camera height, beside what its handles and outline tell.

    Attributes
    ----------
    messages : (k, n) float
        What each picture compared with it says of its height, in the order of ``compared``.
    compared : dict of place to Beside
        What the comparison with that picture alone says of both their heights.
    own_sd : float or None
        Degrees, of what its own picture adds to all comparisons; None where it has none.
    corner : (n,) float
        Likelihood of each height by the product's own corner, and by where the camera aims.
    """

    messages: np.ndarray
    compared: dict
    own_sd: float | None
    corner: np.ndarray

    @property
    def blur(self):
        """(n, n) float, what its own picture adds to all comparisons."""
        return SHARP if self.own_sd is None else _blur(self.own_sd)

    @property
    def lower(self):
        """Place to how much farther below its base the ground lies than that of another picture of the shape, widths of the body."""
        return {place: beside.lower for place, beside in self.compared.items() if beside.lower is not None}

    def weights(self, but=None):
        """(n,) weight of each height by its corner and all but one of the pictures compared with it."""
        return USUAL * self.corner * (self.blur @ np.prod(self.messages[[partner != but for partner in self.compared]], axis=0))

    def beside(self, other):
        """(n, n) likelihood of each pair of heights, its own and another's, by their comparison; flat where there is none."""
        return self.compared[other].likelihood() if other in self.compared else np.outer(FLAT, FLAT)


def _pictures(frames):
    """Places of pictures that show a ground: the first of each product and view, and further ones, which may be copies."""
    known = (frames["view_kind"] == "upright") & frames["sku"].notna() & frames["view"].fillna("").map(lambda view: view in STRAIGHT_ON or shows_a_turn(view)).astype(bool)
    shown = (frames["origin"] != "derived") & (frames["backdrop"] != "cut_out") & ~frames["touches"].fillna("").astype(str).str.contains("bottom")
    usable = frames[known & shown]
    further = usable.duplicated(["sku", "view"])
    return usable.index[~further], usable.index[further]


def _compared(rows, pairs, sketches):
    """
    What grounds of pairs (place, place, how well they are worth each other) show.

    Returns
    -------
    list of tuple
        Where they show anything: the pair; log length of one's ground over the other's and its uncertainty, how much lower it lies; degrees of both bases below
        the axis; how far the camera usually looks down on their view, degrees.
    """
    kept = getattr(sketches, "made", {})  # finding and judging compare the same grounds
    asked = {("ground", rows[one]["file"], rows[other]["file"]): None for one, other, _ in pairs}
    new = [key for key in asked if key not in kept]
    kept.update(zip(new, spread(ground.compared, [key[1:] for key in new], sketches, ground.Grounds(sketches)), strict=True))
    found = []
    for one, other, sd in pairs:
        told = kept["ground", rows[one]["file"], rows[other]["file"]]
        if told is not None:
            below = (math.degrees(math.atan((base - 0.5) / rows[place]["focal"])) for base, place in zip(told[3:], (one, other), strict=True))
            found.append((one, other, sd, *told[:3], *below, USUAL_LOOK_DEG[shows_a_turn(rows[one]["view"])]))
    return found


def _to_compare(rows, voters, others):
    """Pairs of places and how well their grounds are worth each other: both views of a product, a view's next ones of the style or, straight on and of a product alone, of all."""
    of_product, of_style, of_view = {}, {}, {}
    for place in voters:
        row = rows[place]
        if row["view"] in STRAIGHT_ON:
            of_product.setdefault(row["sku"], []).append(place)
        of_style.setdefault((row["kind"], row["view"]), []).append(place)
        of_view.setdefault(row["view"], []).append(place)
    for places in of_product.values():
        yield from ((places[0], place, OWN_SD) for place in places[1:])
    for places in of_style.values():
        for one, other in [*_ring(places), *zip(places, places[2:], strict=False)]:
            yield one, other, COLOURWAY_SD if rows[one]["shape"] == rows[other]["shape"] else STYLE_SD
    alone = {places[0] for (_, view), places in of_style.items() if len(places) == 1 and view in STRAIGHT_ON}  # one that stands turned shows its corner
    for places in of_view.values():
        yield from ((one, other, ANY_SD) for one, other in _ring(places) if one in alone or other in alone)
    for place in others:
        partners = of_product.get(rows[place]["sku"], ()) if rows[place]["view"] in STRAIGHT_ON else of_style[rows[place]["kind"], rows[place]["view"]][:MOST_PARTNERS]
        of_own = [other for other in partners if (rows[other]["sku"], rows[other]["view"]) != (rows[place]["sku"], rows[place]["view"])]
        yield from ((place, other, OWN_SD if rows[place]["view"] in STRAIGHT_ON else STYLE_SD) for other in of_own)


def _turned_beside_square(rows, places):
    """The first straight-on and the first turned picture of each product: their grounds are not compared, but the camera is seldom moved between them."""
    first = {}
    for place in places:
        first.setdefault((rows[place]["sku"], shows_a_turn(rows[place]["view"])), place)
    return [(first[sku, False], place) for (sku, turned), place in first.items() if turned and (sku, False) in first]


def _ring(places):
    """Each place and the next one, the last and the first."""
    return [*zip(places, places[1:], strict=False), *([(places[-1], places[0])] if len(places) > 2 else [])]


def _repeated(pairs):
    """
    How well grounds of each kind of pairs are worth each other: what is usual, and what this delivery's own scatter adds to what comparisons state.

    Of each picture the ground most like its own counts: one taken from elsewhere is unlike all others, and these have each other.
    """
    found = {}
    for usual in (OWN_SD, COLOURWAY_SD, STYLE_SD, ANY_SD):
        here = [pair for pair in pairs if pair[2] == usual]
        if len(here) < FEWEST_PAIRS:
            found[usual] = usual
            continue
        off = {}
        for one, other, _, length, _, _, below, its_below, look in here:
            apart = abs(length - SHOWN * (_log_sine(look + below) - _log_sine(look + its_below)))
            off.setdefault(one, {})[other] = off.setdefault(other, {})[one] = apart
        scatter = np.median([min(others.values()) / _least_of(len(others)) for others in off.values()])
        own = scatter**2 - np.median([pair[4] ** 2 for pair in here])
        found[usual] = math.sqrt((WORTH_PAIRS * usual**2 + len(here) * max(own, LEAST_SD**2)) / (WORTH_PAIRS + len(here)))
    return found


def _shares(pairs, rows, repeated):
    """
    How much each pair's comparison tells beside those that would be off with it, (n,) float of 0 to 1.

    What is odd about the ground of a style (a low or round body, an overhang) is odd in all views of all its colourways, and beside all other styles: comparisons
    of any two styles count together as much as a mean does whose terms share a part of their variance. Within a style its own scatter is learned.
    """
    whose = [tuple(sorted(str(rows[place]["kind"]) for place in pair[:2])) if pair[2] == ANY_SD else None for pair in pairs]
    alike = collections.Counter(filter(None, whose))
    partners = collections.Counter(kind for two in alike for kind in two)
    shares = []
    for pair, two in zip(pairs, whose, strict=True):
        common = 0.0 if two is None else max(repeated[ANY_SD] ** 2 - repeated[OWN_SD] ** 2, 0.0) / (repeated[ANY_SD] ** 2 + (REST * pair[4]) ** 2)
        beside = 1 if two is None else max(partners[kind] for kind in two)
        shares.append(1 / (1 + (alike[two] - 1) * common) / (1 + (beside - 1) * common / 2))
    return shares


@functools.cache
def _least_of(count):
    """Median of the least of so many absolute values of a standard normal variable."""
    return statistics.NormalDist().inv_cdf(1 - 0.5 ** (1 + 1 / count))


def _log_sine(elevation):
    """Natural logarithm of the sine of elevations, degrees."""
    return np.log(np.sin(np.radians(np.maximum(elevation, LEAST_ELEVATION_DEG))))


@functools.lru_cache(AT_HAND)
def _likelihood(log_length, log_sd, below, its_below, sd, look, share, of_one):
    """
    Likelihood of each pair of heights of two pictures by their grounds, whose bases are seen so far below the axis where the camera looks down as usual, degrees.

    ``of_one`` product both are taken from elsewhere together more often.
    """
    mine, its = (_log_sine(look + HEIGHTS_DEG + degrees) for degrees in (below, its_below))
    expected = SHOWN * (mine[:, None] - its[None])
    log_sd = np.hypot(math.hypot(REST * log_sd, sd), SHOWN_SD * expected) / math.sqrt(share)
    like = (1 - ODD) * _normal(log_length - expected, log_sd) + ODD * _normal(log_length - expected, np.hypot(log_sd, ODD_SD))
    return like * OF_ONE_PRODUCT if of_one else like


def _degrees(elevation):
    """Degrees of camera height that a unit of log length is: log sin e grows by cot e."""
    return math.degrees(math.tan(math.radians(max(elevation, LEAST_ELEVATION_DEG)))) / SHOWN


@functools.lru_cache(AT_HAND)
def _blur(sd):
    """(n, n) weights of each height seen where each is true."""
    blur = _normal(HEIGHTS_DEG[:, None] - HEIGHTS_DEG, max(sd, LEAST_BLUR_DEG))
    return blur / blur.sum(axis=0)


def _by_corner(corner):
    """Likelihood of each height by a corner's pitch; flat where there is none."""
    return FLAT if corner is None else np.exp(-0.5 * ((HEIGHTS_DEG - np.clip(corner["pitch"], *HEIGHTS_DEG[[0, -1]])) / max(corner["pitch_sd"], USUAL_SD_DEG)) ** 2)


def _weighed(compared, alone, voters):
    """Place -> `Told`, by comparisons and what is known of each ``alone``; copies of ``voters`` are told and do not tell."""
    told = {place: alone[place]._replace(messages=np.ones((len(partners), len(FLAT))), compared=partners) for place, partners in compared.items()}
    rows = {place: {partner: row for row, partner in enumerate(partners)} for place, partners in compared.items()}
    for _ in range(ROUNDS):
        for one in told.values():
            blur = one.blur
            one.messages[:] = [blur @ one.weights(but=partner) for partner in one.compared]  # what it holds of itself, in the place of what each partner said
        for place, one in told.items():
            for other, beside in one.compared.items():
                if not beside.of_other:
                    mine, its = one.messages[rows[place][other]], told[other].messages[rows[other][place]]
                    to_mine, to_its = beside.likelihood() @ its, told[other].compared[place].likelihood() @ mine
                    mine[:] = to_mine / to_mine.max() if other in voters else FLAT
                    its[:] = to_its / to_its.max() if place in voters else FLAT
    return told


def _normal(value, sd):
    return np.exp(-0.5 * (value / sd) ** 2) / sd


NO_MESSAGES, SHARP = np.empty((0, len(HEIGHTS_DEG))), np.eye(len(HEIGHTS_DEG))
UNKNOWN = Told(NO_MESSAGES, {}, None, FLAT)  # where no ground is seen

def _before(fault, fault_deg):
    """Weight of each height before anything is seen."""
    return (1 - fault) * _normal(HEIGHTS_DEG, USUAL_SD_DEG) + fault * _normal(HEIGHTS_DEG, math.hypot(fault_deg, USUAL_SD_DEG))


def _of_one_product():
    """(n, n) by how much likelier each pair of heights is of two views of one product than of any two."""
    usual, odd = (_normal(HEIGHTS_DEG, sd) for sd in (USUAL_SD_DEG, math.hypot(FAULT_DEG, USUAL_SD_DEG)))
    alike = odd[:, None] * odd * _normal(HEIGHTS_DEG[:, None] - HEIGHTS_DEG, USUAL_SD_DEG)
    alike *= np.outer(odd, odd).sum() / alike.sum()
    alone = usual[:, None] * odd + odd[:, None] * usual
    both = (1 - (2 - SHARED) * FAULT) * usual[:, None] * usual + (1 - SHARED) * FAULT * alone + SHARED * FAULT * alike
    return both / (USUAL[:, None] * USUAL)


USUAL = _before(FAULT, FAULT_DEG)
OF_ONE_PRODUCT = _of_one_product()
OF_AIMED = _before(AIMED_FAULT, AIMED_FAULT_DEG) / USUAL  # by how much likelier each height is where the camera aims otherwise
