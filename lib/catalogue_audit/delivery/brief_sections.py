"""
The sections of the brief: every key, its default, and what it means.

The descriptions are what the photographer reads: `brief_writing` writes them
out as comments, so there is one place to keep right.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from catalogue_audit.delivery.name_patterns import pattern_fault
from catalogue_audit.delivery.view_words import VIEWS, fold
from catalogue_audit.schema import CHECKS, PRODUCT_FILE_COLUMNS, VIEW_KINDS

# Preferred AQLs of MIL-STD-105E and ISO 2859-1, per cent nonconforming; smaller ones need lots of thousands.
AQLS = (0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0)
INSPECTION_LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
# Columns of the check sheet that are no questions.
SHEET_COLUMNS = ("no", *PRODUCT_FILE_COLUMNS, "note")

Fraction = Annotated[float, Field(ge=0, le=1)]
LARGEST = 1_000_000  # of any figure: sums and squares of larger ones end at infinity
Positive = Annotated[float, Field(gt=0, le=LARGEST, allow_inf_nan=False)]
Whole = Annotated[int, Field(ge=1, le=10**12)]
Finite = Annotated[float, Field(ge=-LARGEST, le=LARGEST, allow_inf_nan=False)]
View = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\W\d][\w-]*$")]
Kind = Literal[VIEW_KINDS]
Count = Annotated[list[int], Field(min_length=2, max_length=2)]


class Section(BaseModel):
    """Base of every section: unknown keys and wrong types are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


def _checked_counts(counts):
    for view, (least, most) in counts.items():
        if least < 0 or most < max(least, 1):
            msg = f"{view} = [{least}, {most}] must be [least, most], for example [1, 6]"
            raise ValueError(msg)
    return counts


class StyleViews(Section):
    """Views of one style, in place of the general ones."""

    required: list[View] | None = Field(None, description="views every product of this style must have")
    counts: dict[View, Count] = Field({}, description="[least, most] pictures of a view")

    _counts = field_validator("counts")(_checked_counts)


class Condition(Section):
    """More views for some products: a removable strap, a patterned lining."""

    name: str = Field(description="what it is about, in a word or two")
    styles: list[str] = Field([], description="styles it holds for (products file)")
    skus: list[str] = Field([], description="SKUs it holds for")
    column: str = Field("", description="or: a column of the products file ...")
    values: list[str] = Field([], description="... and the words in it for which it holds")
    required: list[View] = Field([], description="views these products need besides")
    with_strap: list[View] = Field([], description="views that need one picture with the strap")
    without_strap: list[View] = Field([], description="views that need one picture without it")


class Views(Section):
    """Which pictures a product has, and how files name them."""

    required: list[View] = Field(
        ["three_quarter", "front", "back", "detail"], description="every product must have one picture of each of these"
    )
    optional: list[View] = Field(
        ["back_three_quarter", "interior", "side", "top", "base", "strap", "worn", "target"],
        description="views that may be there; any other view is unexpected",
    )
    numbered: list[View] = Field(
        [],
        description="where files carry numbers only (01, 02, ...): the views in that order;\n"
        "name a view twice if it has two pictures",
        examples=[["three_quarter", "front", "back", "detail", "detail"]],
    )
    main: View = Field(
        "three_quarter",
        description="the picture a shop shows first; weighs more. The products file may differ (main_view)",
    )
    counts: dict[View, Count] = Field(
        {"detail": [1, 6]}, description="[least, most] pictures of a view; one where not named"
    )
    words: dict[View, list[str]] = Field(
        {},
        description="your own spellings of a view in file names, besides the trade's",
        examples=[{"front": ["hero"], "detail": ["zipper"]}],
    )
    kinds: dict[View, Kind] = Field(
        {},
        description="kind of a view of your own, which decides what is measured: " + ", ".join(VIEW_KINDS),
        examples=[{"on_stand": "upright"}],
    )
    per_style: dict[str, StyleViews] = Field(
        {},
        description="other views for some styles (products file)",
        examples=[{"pouch": {"required": ["front", "back", "detail"]}}],
    )
    conditional: list[Condition] = Field(
        [],
        description="more views for some products, for example with a removable strap or a patterned lining",
        examples=[
            [
                {
                    "name": "removable strap",
                    "column": "strap",
                    "values": ["removable"],
                    "with_strap": ["front"],
                    "without_strap": ["back"],
                },
                {"name": "patterned lining", "column": "lining", "values": ["patterned"], "required": ["interior"]},
            ]
        ],
    )

    _counts = field_validator("counts")(_checked_counts)

    def known(self):
        """Every view the brief speaks of, in order, once each."""
        named = [*self.required, *self.optional, *self.numbered, self.main, *self.counts, *self.words, *self.kinds]
        for style in self.per_style.values():
            named += [*(style.required or ()), *style.counts]
        for condition in self.conditional:
            named += [*condition.required, *condition.with_strap, *condition.without_strap]
        return list(dict.fromkeys(named))

    def spellings(self):
        """View → how file names may write it: the brief's words, then the trade's."""
        known = self.known()
        return {view: (*self.words.get(view, ()), *VIEWS.get(view, ("", ()))[1]) for view in known}

    @model_validator(mode="after")
    def _one_meaning_a_word(self):
        owner = {}
        for view, words in self.words.items():
            for word in words:
                if not any(map(str.isalnum, word)):
                    msg = f"words.{view}: '{word}' holds no letter or digit"
                    raise ValueError(msg)
                if owner.setdefault(fold(word), view) != view:
                    msg = f"'{word}' is given for both '{owner[fold(word)]}' and '{view}'"
                    raise ValueError(msg)
        return self


class FileSpec(Section):
    """What the files must be; whatever is left out is judged by the delivery's own majority."""

    width_px: Whole | None = Field(None, description="width after orientation, pixels", examples=[1600])
    height_px: Whole | None = Field(None, description="height after orientation, pixels", examples=[2000])
    long_side_min_px: Whole | None = Field(None, description="longer side at least, pixels", examples=[1600])
    aspect: str | None = Field(None, description="width to height", examples=["4:5"])
    format: list[Literal["JPEG", "PNG", "TIFF", "WebP", "HEIC"]] | None = Field(
        None, description="allowed formats", examples=[["JPEG"]]
    )
    colour_profile: str | None = Field(None, description="embedded colour profile", examples=["sRGB"])
    jpeg_quality_min: Annotated[int, Field(ge=1, le=100)] | None = Field(
        None, description="lowest JPEG quality, IJG scale", examples=[80]
    )
    bit_depth: Literal[8, 16] | None = Field(None, description="bits per channel", examples=[8])
    bytes_max: Whole | None = Field(None, description="largest file, bytes", examples=[5_000_000])

    @field_validator("format", mode="before")
    @classmethod
    def _one_format_is_a_list(cls, value):
        return [value] if isinstance(value, str) else value

    @field_validator("aspect")
    @classmethod
    def _aspect_is_a_ratio(cls, value):
        if value is not None and aspect_ratio(value) is None:
            msg = f"'{value}' must be width:height, for example \"4:5\""
            raise ValueError(msg)
        return value


class Framing(Section):
    """How large the product stands in the frame."""

    rule: Literal[
        "auto", "equal_height", "equal_width", "first_limit", "equal_area", "equal_baseline", "true_scale"
    ] = Field("auto", description="auto finds the rule the delivery itself follows most steadily")
    fill: Fraction | None = Field(None, description="fraction of the frame that the rule's side fills", examples=[0.85])
    centre_dx: Finite | None = Field(None, description="centre right of the middle, fraction of width", examples=[0.0])
    centre_dy: Finite | None = Field(None, description="centre below the middle, fraction of height", examples=[0.0])
    baseline: Fraction | None = Field(None, description="where products stand, fraction from the top", examples=[0.92])
    px_per_cm: Positive | None = Field(None, description="true scale: pixels per centimetre", examples=[40.0])


class ViewReference(Section):
    """An approved picture, or approved values, for one view."""

    picture: str = Field("", description="file of the delivery that shows how this view should look")
    yaw_deg: Finite | None = None
    roll_deg: Finite | None = None
    camera_pitch_deg: Finite | None = None
    fill_height: Fraction | None = None
    fill_width: Fraction | None = None
    centre_dx: Finite | None = None
    centre_dy: Finite | None = None
    baseline: Fraction | None = None


class Reference(Section):
    """What pictures are compared with; whatever is left out is the delivery's own robust centre."""

    picture: str = Field(
        "", description="file of the delivery whose light is the reference", examples=["AB-100_front.jpg"]
    )
    background_Lab: Annotated[list[Finite], Field(min_length=3, max_length=3)] | None = Field(
        None, description="background, CIELAB D50", examples=[[95.0, 0.0, 0.5]]
    )
    background_ev: Finite | None = Field(None, description="log2 of the background's linear luminance", examples=[-0.2])
    product_ev: Finite | None = Field(None, description="log2 of the product's linear luminance", examples=[-2.5])
    focal_length_35mm: Positive | None = Field(None, description="focal length, 35 mm equivalent", examples=[85.0])
    views: dict[View, ViewReference] = Field(
        {}, description="pose and framing by view", examples=[{"three_quarter": {"yaw_deg": 35.0}}]
    )


class Background(Section):
    """What lies behind the product."""

    pure_white: bool | None = Field(
        None, description="true: must be 255, 255, 255; false: need not be; left out: as the majority", examples=[True]
    )


class Limits(Section):
    """What one file may cost; protects a run that nobody watches."""

    max_pixels: Whole = Field(300_000_000, description="larger pictures are refused before decoding")
    max_bytes: Whole = Field(600_000_000, description="larger files are refused before reading")
    seconds_per_file: Positive = Field(20.0, description="time for one file")
    memory_bytes: Whole = Field(1_073_741_824, description="memory for one file, 1 GiB")


class Soft(Section):
    """Bags without a stiff shape, which get the second tolerance."""

    styles: list[str] = Field(["hobo", "bucket", "pouch"], description="words of the style (products file)")


class Names(Section):
    """How files are named, where the usual shapes do not fit."""

    patterns: list[str] = Field(
        [],
        description="tried first, in this order; {sku}, {view}, {position}, {any}; folders with /; without extension",
        examples=[["{sku}_{position}_{view}"]],
    )
    check_digit: Literal["none", "gtin"] = Field(
        "none", description="gtin: SKUs and the gtin column must end in a right GS1 check digit"
    )

    @field_validator("patterns")
    @classmethod
    def _patterns_can_be_read(cls, patterns):
        for pattern in patterns:
            if fault := pattern_fault(pattern):
                msg = f"'{pattern}': {fault}"
                raise ValueError(msg)
        return patterns


class Metadata(Section):
    """What every file must state about itself."""

    required: list[Literal["rights", "capture_time", "exposure", "camera"]] = Field(
        [],
        description="rights: copyright or creator, in Exif, IPTC or XMP; capture_time, exposure, camera: in Exif",
        examples=[["rights"]],
    )


class Checks(Section):
    """Which checks are made."""

    skip: list[Literal[tuple(CHECKS)]] = Field([], description="checks not wanted", examples=[["noise"]])


class Verdict(Section):
    """When a product, and the delivery, is accepted."""

    return_on: list[Literal["reshoot", "supply"]] = Field(
        ["reshoot", "supply"], description="a critical or major finding with one of these remedies returns the product"
    )
    return_delivery_above: Fraction = Field(
        0.1, description="the delivery is returned when more than this share of products is"
    )


class Sampling(Section):
    """Random sample of products for what only eyes can judge (ISO 2859-1 / MIL-STD-105E, single sampling)."""

    questions: list[Annotated[str, Field(min_length=1, max_length=60)]] = Field(
        ["hardware neat", "zip straight", "tag placed", "stuffing natural"],
        description="what to look at on each product of the report's check sheet, which --check-sheet reads back;\n"
        "[] draws no sample",
    )
    level: Literal[INSPECTION_LEVELS] = Field("II", description="inspection level")
    aql: float = Field(2.5, description="acceptance quality limit, per cent of products; one of the standard's figures")
    seed: int = Field(1, ge=0, le=10**12, description="the same number draws the same sample")
    reduced: bool = Field(
        False,
        description="true: a smaller sample after ten deliveries accepted in a row (named with --earlier);\n"
        "only where the work is known to be steady",
    )

    @field_validator("aql")
    @classmethod
    def _aql_is_in_the_standard(cls, value):
        if value not in AQLS:
            msg = f"{value} is not in the standard's series: " + ", ".join(f"{aql:g}" for aql in AQLS)
            raise ValueError(msg)
        return value

    @field_validator("questions")
    @classmethod
    def _questions_are_columns_of_their_own(cls, questions):
        named = [fold(question).strip() for question in questions]
        for question, name in zip(questions, named, strict=True):
            if name.replace(" ", "_") in SHEET_COLUMNS or not name:
                msg = f"'{question}' is a column of the check sheet already"
                raise ValueError(msg)
            if named.count(name) > 1:
                msg = f"'{question}' is there twice"
                raise ValueError(msg)
        return questions


class Shared(Section):
    """Pictures that several products may share."""

    within_style: list[View] = Field(
        ["interior", "lining"], description="views of which one picture may serve all colourways of a style; [] for none"
    )


class Privacy(Section):
    """What the report may show of people."""

    personal_fields: bool = Field(False, description="true: show names of people from the files' metadata")


class Capture(Section):
    """How pictures are gathered into capture runs."""

    pause_minutes: Positive = Field(30.0, description="a longer pause between two pictures begins a new run")


def aspect_ratio(text):
    """
    Width over height of ``"4:5"``, or None.

    >>> aspect_ratio("4:5")
    0.8
    """
    width, colon, height = text.partition(":")
    try:
        ratio = float(width) / float(height if colon else "1")
    except (ValueError, ZeroDivisionError):
        return None
    return ratio if 0 < ratio < float("inf") else None
