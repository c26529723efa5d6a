"""Everything a judgement may rest on, in one record; and the few questions every family asks of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.outliers import FEWEST_OF_A_STYLE
from catalogue_audit.findings.sample import CheckSheet, take_sample
from catalogue_audit.statistics.robust import mad_scale
from catalogue_audit.statistics.series.clock import capture_order
from catalogue_audit.statistics.tables import table_from_rows

SOFT_WORDS = ("slouch", "drawstring", "sack")  # in a style's name, besides the brief's own words
SOFT_SCATTER = 0.035  # of width over height within a style; rigid bags photographed alike stay under 2 %
MAYBE_BLANK = ("sku", "view", "style", "colourway", "touches", "reason")  # an empty text is an unknown one


def _table(*columns):
    return field(default_factory=lambda: pd.DataFrame({name: pd.Series(dtype="str") for name in columns}))


class _Columns(dict):
    """Columns of a table as lists, each made when it is first asked for: the checks ask for a quarter of them."""

    def __init__(self, table):
        super().__init__()
        self.table = table

    def __missing__(self, name):
        column = self.table[name]
        self[name] = [value if known else None for value, known in zip(column.to_list(), column.notna().to_list(), strict=True)]
        return self[name]


class _Row(Mapping):
    """One row of a table, read where it stands: a dict takes 8 kB a frame."""

    __slots__ = ("columns", "place")

    def __init__(self, columns, place):
        self.columns, self.place = columns, place

    def __getitem__(self, name):
        return self.columns[name][self.place]

    def __iter__(self):
        return iter(self.columns.table)

    def __len__(self):
        return self.columns.table.shape[1]


@dataclass(frozen=True, eq=False)
class Evidence:
    """
    What `judge.find` looks at. Nothing in it is ever changed.

    Attributes
    ----------
    brief : Brief
        What was ordered.
    stage : str
        'originals' or 'finals', see `stage.tell_stage`.
    frames : DataFrame
        All columns of the schema, set columns included, one row a file,
        sorted, default index.
    names : sequence
        One record a file from the reading of names: ``file``, ``sku``,
        ``view``, ``view_kind``, and what it suggests where nothing fitted.
    products : DataFrame or None
        The products file as supplied.
    undelivered : DataFrame or None
        ``sku`` and ``due`` of its products without a picture, where they are too many for a row each and left out of ``products``.
    changes : DataFrame
        The changes table.
    pairs : DataFrame
        ``file_a``, ``file_b``, ``kind`` of duplicates, legitimate ones too.
    misfiled : DataFrame
        ``file``, ``claimed_sku``, ``likely_sku``, ``likely_view``, ``kind``
        (wrong_product, wrong_detail, swapped_views, wrong_view, shifted),
        ``score``, ``evidence``, ``cause``.
    spots : DataFrame
        Recurring sensor spots: ``file``, ``x``, ``y`` (fractions), ``size_px``,
        ``camera``, ``frames`` (in how many frames it recurs).
    framing_rule : str
        The rule the set follows, or the brief's.
    sketches : mapping of str to dict
        File to sketch, loaded one at a time.
    check_sheet : CheckSheet or None
        Of this delivery's sample, as filled in.
    earlier : sequence of dict
        What became of the samples of earlier deliveries, see `sample.read_earlier`.
    as_of : str or None
        ISO date on which the delivery is judged, for ``due`` and
        ``sample_until``; None takes the brief's ``as_of`` or the newest
        capture date in the delivery. Never the clock: the same delivery must
        give the same tables.
    """

    brief: object
    stage: str
    frames: pd.DataFrame
    names: tuple = ()
    products: pd.DataFrame | None = None
    undelivered: pd.DataFrame | None = None
    changes: pd.DataFrame = field(default_factory=lambda: table_from_rows("changes", []))
    pairs: pd.DataFrame = _table("file_a", "file_b", "kind")
    misfiled: pd.DataFrame = _table(
        "file", "claimed_sku", "likely_sku", "likely_view", "kind", "score", "evidence", "cause"
    )
    spots: pd.DataFrame = _table("file", "x", "y", "size_px", "camera", "frames")
    framing_rule: str = ""
    sketches: Mapping = field(default_factory=dict)
    check_sheet: CheckSheet | None = None
    earlier: tuple = ()
    as_of: str | None = None

    def __post_init__(self):
        blank = {name: self.frames[name].mask(self.frames[name] == "") for name in MAYBE_BLANK}
        object.__setattr__(self, "frames", self.frames.assign(**blank))

    @cached_property
    def rows(self):
        """The frames as mappings of column to value, in order; None where a value is unknown."""
        columns = _Columns(self.frames)
        return [_Row(columns, place) for place in range(len(self.frames))]

    def records(self, frames):
        """
        Rows of some of the frames, as in `rows`.

        Parameters
        ----------
        frames : DataFrame
            A selection of ``self.frames``, by rows.
        """
        rows = self.rows
        return [rows[place] for place in frames.index]

    @cached_property
    def file_order(self):
        """File to its place in the frames table."""
        return {file: place for place, file in enumerate(self.frames["file"])}

    @cached_property
    def judged_on(self):
        """
        ISO date of the judgement, or None where nothing says.

        By capture times, the newest that lies within a year of the middle one: a clock set years ahead in a few files makes nothing overdue.
        """
        named = self.as_of or getattr(self.brief, "as_of", None)
        if named:
            return str(named)[:10]
        dates = sorted(str(moment)[:10] for moment in self.frames["captured_at"].dropna())
        if not dates:
            return None
        middle = dates[len(dates) // 2]
        return max(day for day in dates if day <= f"{int(middle[:4]) + 1:04}{middle[4:]}")

    @cached_property
    def measured(self):
        """Frames that were measured and show a product."""
        frames = self.frames
        return frames[(frames["status"] != "not_measured") & (frames["view_kind"] != "target")]

    @cached_property
    def whole_product(self):
        """Measured frames that show the product whole, alone and in a known view."""
        frames = self.measured
        return frames[frames["view_kind"].isin(["upright", "overhead"]) & frames["view"].notna()]

    @cached_property
    def as_taken(self):
        """Those whose turn, height and lean the optical centre tells: all originals, and finals paired with theirs."""
        frames = self.whole_product
        return frames if self.stage == "originals" else frames[frames["original_file"].notna()]

    @cached_property
    def soft(self):
        """Series of bool by frame: the style is soft, by the brief, its name or its outlines' own scatter."""
        frames = self.frames
        scattered = _styles_of_scattered_outlines(self.whole_product)
        styles = frames["style"].fillna("")
        soft = {
            style: bool(style)
            and (
                style in scattered
                or brief_terms.is_soft(self.brief, style)
                or any(word in style.lower() for word in SOFT_WORDS)
            )
            for style in styles.unique()
        }
        return styles.map(soft).astype(bool)

    @cached_property
    def supplied(self):
        """The products file's rows by SKU; an empty dict where there is none."""
        if self.products is None:
            return {}
        rows = self.products.to_dict("records")
        return {row["sku"]: row for row in rows}

    @cached_property
    def supplied_by_key(self):
        """The same by SKU without regard to case."""
        return {str(sku).casefold(): row for sku, row in self.supplied.items()}

    @cached_property
    def capture_order(self):
        """`statistics.series.clock.capture_order` of the frames; every judged column asks which change explains what."""
        return capture_order(self.frames)

    @cached_property
    def skus(self):
        """SKUs of the files that show a product, in order of first appearance."""
        frames = self.frames
        return list(dict.fromkeys(frames.loc[frames["view_kind"] != "target", "sku"].dropna()))

    @cached_property
    def sample(self):
        """The random sample of products for what only eyes can judge; None where there is none."""
        return take_sample(self.skus, self.brief.sampling, self.check_sheet, self.earlier)


def usual(frames, values, statistic, keys=("view", "style")):
    """
    What is usual for each frame: of its view, or of its style in that view where there are enough.

    Parameters
    ----------
    frames : DataFrame
    values : Series of float
        Indexed as `frames`.
    statistic : str or callable
        As `DataFrameGroupBy.transform` takes it.
    keys : tuple of str
        The columns within which frames are most alike; the first is the view.

    Returns
    -------
    Series of float
    """
    of_view = values.groupby(frames[keys[0]]).transform(statistic).reindex(values.index)
    closest = values.groupby([frames[key] for key in keys])
    enough = closest.transform("count").reindex(values.index) >= FEWEST_OF_A_STYLE  # False where a key is unknown
    return closest.transform(statistic).reindex(values.index).where(enough, of_view)


def _styles_of_scattered_outlines(frames):
    shape = frames["fill_width"] * frames["width_px"].astype(float)
    shape = shape / (frames["fill_height"] * frames["height_px"].astype(float))
    scattered = set()
    for style, here in frames.groupby("style", sort=False):
        spread = []
        for _, ratios in shape[here.index].groupby(here["view"]):
            ratios = ratios.dropna()
            if len(ratios) >= 2 * FEWEST_OF_A_STYLE:
                spread.append(mad_scale(ratios) / ratios.median())
        if spread and min(spread) > SOFT_SCATTER:
            scattered.add(style)
    return scattered
