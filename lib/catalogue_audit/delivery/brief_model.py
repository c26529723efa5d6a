"""The brief as one checked record, and what follows from it for one product."""

import datetime
from typing import Literal

from pydantic import Field, field_validator

from catalogue_audit.delivery.brief_sections import (
    LARGEST, Background, Capture, Checks, FileSpec, Framing, Limits, Metadata, Names, Privacy, Reference, Sampling, Section, Shared, Soft,
    Verdict, View, Views,
)  # fmt: skip
from catalogue_audit.delivery.view_words import VIEWS, fold
from catalogue_audit.schema import CHECKS, STRAP_STATES

# Second conditions of a check, in a unit of their own.
EXTRA_TOLERANCES = {
    "focus_px": (0.7, "px above the set's sharp frames, besides the ratio"),
    "motion_blur_px": (0.7, "px above the set's sharp frames, besides the ratio"),
    "handles_fraction": (0.04, "fraction of product height, where the product's size is not known"),
}


class Brief(Section):
    """Everything a delivery is judged by."""

    stage: Literal["originals", "finals", "auto"] = Field(
        "auto", description="originals: from the camera. finals: retouched. auto: told from the files"
    )
    as_of: str | None = Field(
        None,
        description="Day of the judgement, for the products file's due and sample_until; left out: the newest capture date",
        examples=["2026-03-31"],
    )
    views: Views = Views()
    tolerance: dict[str, float | list[float]] = Field(
        default_factory=lambda: dict(USUAL_TOLERANCES),
        description="Deviation that is still accepted, by check; [firm, soft] gives soft styles their own.",
    )
    file_spec: FileSpec = FileSpec()
    framing: Framing = Framing()
    background: Background = Background()
    strap: dict[View, Literal[(*STRAP_STATES, "any")]] = Field(
        {},
        description=f"where the strap must be, by view: {', '.join(STRAP_STATES)}, any; left out: as the majority",
        examples=[{"front": "front", "back": "none"}],
    )
    reference: Reference = Reference()
    names: Names = Names()
    soft: Soft = Soft()
    shared: Shared = Shared()
    metadata: Metadata = Metadata()
    checks: Checks = Checks()
    verdict: Verdict = Verdict()
    sampling: Sampling = Sampling()
    capture: Capture = Capture()
    privacy: Privacy = Privacy()
    limits: Limits = Limits()

    @field_validator("as_of", mode="before")
    @classmethod
    def _as_of_is_a_day(cls, given):
        if isinstance(given, datetime.date):  # TOML's own dates, with or without a time
            return given.isoformat()[:10]
        try:
            return given if given is None else datetime.date.fromisoformat(given).isoformat()
        except (TypeError, ValueError) as error:
            msg = f"{given} must be a day such as 2026-03-31"
            raise ValueError(msg) from error

    @field_validator("tolerance")
    @classmethod
    def _tolerances_are_of_checks(cls, given):
        for name, value in given.items():
            if name not in USUAL_TOLERANCES:
                raise UnknownTolerance(name)
            figures = value if isinstance(value, list) else [value]
            if not 1 <= len(figures) <= 2:
                msg = f"{name} = {value} must be one figure, or [firm, soft]"
                raise ValueError(msg)
            if not all(0 <= figure <= LARGEST for figure in figures):
                msg = f"{name} = {value} must be 0 to {LARGEST:,}"
                raise ValueError(msg)
        return {**USUAL_TOLERANCES, **{name: _with_soft(name, value) for name, value in given.items()}}

    def tolerance_of(self, check, soft=False):
        """
        Tolerance of a check, in the unit of ``schema.CHECKS``.

        Parameters
        ----------
        check : str
            Name of a check, or of one of `EXTRA_TOLERANCES`.
        soft : bool
            Whether the product is of a soft style.

        Returns
        -------
        float or None
            None for a check without a tolerance.
        """
        value = self.tolerance.get(check)
        return value[-1 if soft else 0] if isinstance(value, list) else value

    def kind_of(self, view):
        """Kind of a view; one of the user's own without a kind is told by the words in it, else ``other``."""
        if view in self.views.kinds:
            return self.views.kinds[view]
        if view in VIEWS:
            return VIEWS[view][0]
        known = [VIEWS[part][0] for part in fold(view).replace("-", "_").split("_") if part in VIEWS]
        return known[0] if known else "other"

    def is_soft(self, style):
        """True where the style's name holds one of the words for soft bags."""
        words = fold(style or "").replace("_", " ").replace("-", " ").split()
        return any(fold(soft) in words or fold(soft) == fold(style or "") for soft in self.soft.styles)

    def required_views(self, style="", sku="", row=None):
        """
        Least and most pictures of each view a product must have.

        Parameters
        ----------
        style, sku : str
        row : mapping, optional
            The product's row of the products file, for conditions on a column.

        Returns
        -------
        dict
            view → (least, most), required views only.
        """
        own = self._style_views(style)
        required = list(self.views.required if own is None or own.required is None else own.required)
        counts = {**self.views.counts, **(own.counts if own else {})}
        for condition in self.conditions_of(style, sku, row):
            required += [*condition.required, *condition.with_strap, *condition.without_strap]
        bounds = {}
        for view in dict.fromkeys(required):
            least, most = counts.get(view, (1, 1))
            bounds[view] = (max(1, least), most)
        for condition in self.conditions_of(style, sku, row):
            for view in set(condition.with_strap) & set(condition.without_strap):
                bounds[view] = (max(2, bounds[view][0]), max(2, bounds[view][1]))
        return bounds

    def _style_views(self, style):
        for name, views in self.views.per_style.items():
            if style and fold(name) == fold(style):
                return views
        return None

    def conditions_of(self, style="", sku="", row=None):
        """The conditions of ``views.conditional`` that hold for a product."""
        return [condition for condition in self.views.conditional if _holds(condition, style, sku, row or {})]


def _holds(condition, style, sku, row):
    if style and fold(style) in map(fold, condition.styles):
        return True
    if sku and sku.casefold() in (other.casefold() for other in condition.skus):
        return True
    cell = str(row.get(condition.column, "")) if condition.column else ""
    return bool(cell) and fold(cell) in map(fold, condition.values)


class UnknownTolerance(ValueError):
    """A name under [tolerance] that is no check with a tolerance."""


def _usual(check):
    return check.tolerance if check.tolerance_soft is None else [check.tolerance, check.tolerance_soft]


USUAL_TOLERANCES = {
    **{name: _usual(check) for name, check in CHECKS.items() if check.tolerance is not None},
    **{name: value for name, (value, _) in EXTRA_TOLERANCES.items()},
}


def _with_soft(name, value):
    """One figure for a check that has two: the soft one keeps its usual ratio to it."""
    usual = USUAL_TOLERANCES[name]
    if isinstance(value, list):
        return value if len(value) == 2 else _with_soft(name, value[0])
    if isinstance(usual, list):
        return [value, min(round(value * usual[1] / usual[0], 6), float(LARGEST))]
    return value
