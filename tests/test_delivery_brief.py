"""The brief: read, refused with the place, written out and read back."""

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalogue_audit.delivery.brief import STAGES, brief_text, dump_brief, load_brief, parse_brief
from catalogue_audit.delivery.brief_model import EXTRA_TOLERANCES, USUAL_TOLERANCES, Brief
from catalogue_audit.delivery.brief_sections import AQLS, aspect_ratio
from catalogue_audit.delivery.brief_writing import toml_value
from catalogue_audit.errors import UsageError
from catalogue_audit.schema import CHECKS, VIEW_KINDS


def fault(text):
    with pytest.raises(UsageError) as caught:
        parse_brief(text, "my.toml")
    assert caught.value.exit_status == 2
    return str(caught.value)


# -- the usual brief ------------------------------------------------------------------------


def test_the_usual_brief_requires_and_knows_the_views_of_a_bag():
    brief = load_brief()
    assert brief.stage == "auto"
    assert brief.views.required == ["three_quarter", "front", "back", "detail"]
    assert {"interior", "side", "top", "base", "strap", "worn"} <= set(brief.views.known())
    assert brief.required_views() == {"three_quarter": (1, 1), "front": (1, 1), "back": (1, 1), "detail": (1, 6)}
    assert {brief.kind_of(view) for view in brief.views.known()} <= set(VIEW_KINDS)
    assert [brief.kind_of(view) for view in ("front", "detail", "worn", "target")] == [
        "upright",
        "crop",
        "worn",
        "target",
    ]


def test_the_day_of_the_judgement_is_a_date_or_its_text():
    assert parse_brief("as_of = 2026-05-01").as_of == parse_brief('as_of = "2026-05-01"').as_of == "2026-05-01"
    assert parse_brief("").as_of is None
    with pytest.raises(UsageError, match="as_of: soon must be a day"):
        parse_brief('as_of = "soon"')


def test_tolerances_are_those_of_the_table_of_checks():
    brief = load_brief()
    for name, check in CHECKS.items():
        assert brief.tolerance_of(name) == check.tolerance
        soft = check.tolerance if check.tolerance_soft is None else check.tolerance_soft
        assert brief.tolerance_of(name, soft=True) == soft


@pytest.mark.parametrize("stage", STAGES)
def test_the_shipped_text_is_the_usual_brief_with_every_remark(stage):
    text = brief_text(stage)
    assert parse_brief(text) == load_brief(stage=stage) == Brief(stage=stage)
    assert text == dump_brief(Brief(stage=stage)), "write briefs/*.toml again with dump_brief"


def test_the_shipped_text_explains_every_key():
    text = brief_text()
    for section, values in tomllib.loads(text).items():
        for key in values if isinstance(values, dict) else ():
            assert f"\n{key} = " in text, (section, key)
    assert "# CIEDE2000" in text and "# degree" in text
    assert max(map(len, text.splitlines())) <= 140


def test_remarked_lines_of_the_shipped_text_can_be_used():
    lines = [line.removeprefix("# ") for line in brief_text().splitlines()]
    begins = [line.partition(" = ")[0] for line in lines]
    tried = 0
    for place, line in enumerate(brief_text().splitlines()):
        if line.startswith("# ") and begins[place].isidentifier() and "= [" not in line and " = " in line:
            section = next(
                (other for other in reversed(brief_text().splitlines()[:place]) if other.startswith("[")), ""
            )
            parse_brief(f"{section}\n{lines[place]}\n")
            tried += 1
    assert tried >= 15


def test_an_unknown_stage_is_told():
    with pytest.raises(UsageError, match="originals, finals"):
        brief_text("retouched")


# -- what users write -----------------------------------------------------------------------


def test_the_keys_that_others_rely_on_are_read():
    brief = parse_brief(
        """
        stage = "auto"
        [views]
        required = ["three_quarter", "front", "back", "detail"]
        numbered = []
        counts = { detail = [1, 6] }
        [tolerance]
        roll = 0.8
        angle = 4.0
        [file_spec]
        width_px = 1600
        colour_profile = "sRGB"
        jpeg_quality_min = 80
        """
    )
    assert (brief.file_spec.width_px, brief.file_spec.colour_profile, brief.file_spec.jpeg_quality_min) == (
        1600,
        "sRGB",
        80,
    )
    assert brief.tolerance == load_brief().tolerance


def test_an_empty_brief_is_the_usual_one():
    assert parse_brief("") == load_brief()


def test_one_tolerance_moves_the_soft_one_with_it():
    brief = parse_brief("[tolerance]\nangle = 2\nroll = [1.0, 1.2]\nexposure = 0.2")
    assert (brief.tolerance_of("angle"), brief.tolerance_of("angle", soft=True)) == (2, 3)  # usually 4 and 6
    assert (brief.tolerance_of("roll"), brief.tolerance_of("roll", soft=True)) == (1.0, 1.2)
    assert brief.tolerance_of("exposure", soft=True) == 0.2
    assert brief.tolerance_of("scale") == CHECKS["scale"].tolerance


def test_a_stage_from_elsewhere_fills_in_only_where_the_brief_leaves_it_open(tmp_path):
    (tmp_path / "open.toml").write_text("")
    (tmp_path / "said.toml").write_text('stage = "finals"')
    assert load_brief(tmp_path / "open.toml", "originals").stage == "originals"
    assert load_brief(tmp_path / "said.toml", "originals").stage == "finals"


def test_views_may_differ_by_style():
    brief = parse_brief('[views.per_style.Pouch]\nrequired = ["front", "back"]\ncounts = { back = [1, 2] }')
    assert brief.required_views("pouch") == {"front": (1, 1), "back": (1, 2)}
    assert set(brief.required_views("tote")) == {"three_quarter", "front", "back", "detail"}


def test_some_products_need_more_views():
    brief = parse_brief(
        """
        [[views.conditional]]
        name = "patterned lining"
        column = "lining"
        values = ["patterned"]
        required = ["interior"]
        [[views.conditional]]
        name = "removable strap"
        styles = ["crossbody"]
        with_strap = ["front"]
        without_strap = ["front"]
        """
    )
    assert "interior" in brief.required_views(row={"lining": "Patterned"})
    assert "interior" not in brief.required_views(row={"lining": "plain"})
    assert brief.required_views("crossbody")["front"] == (2, 2)
    assert brief.required_views("tote")["front"] == (1, 1)


def test_soft_styles_are_told_by_a_word_of_the_style():
    brief = load_brief()
    assert [brief.is_soft(style) for style in ("hobo", "Large Hobo", "bucket-bag", "tote", "", None)] == [
        True, True, True, False, False, False,
    ]  # fmt: skip


def test_a_view_of_ones_own_takes_its_kind_from_the_words_in_it():
    brief = parse_brief('[views]\noptional = ["front_open", "hero"]')
    assert (brief.kind_of("front_open"), brief.kind_of("hero")) == ("upright", "other")


# -- what is wrong with a brief -------------------------------------------------------------


@pytest.mark.parametrize(
    "text, place, found, allowed",
    [
        ('stage = "final"', "line 1, stage:", '"final"', '"originals", "finals" or "auto"'),
        ("[views]\nrequird = []", "line 2, views.requird:", "not known", "Did you mean 'required'?"),
        ("[veiws]\nrequired = []", "line 1, veiws:", "not known", "Did you mean 'views'?"),
        ("\n[tolerance]\nrol = 0.8", "line 3, tolerance.rol:", "not known", "Did you mean 'roll'?"),
        ("[tolerance]\nmissing_view = 1", "line 2, tolerance.missing_view:", "no tolerance", "checks.skip"),
        ('[tolerance]\nroll = "0.8"', "line 2, tolerance.roll:", '"0.8"', "a number"),
        ("[tolerance]\nroll = -1", "line 1, tolerance:", "roll = -1", "0 to 1,000,000"),
        ("[tolerance]\nroll = nan", "line 1, tolerance:", "roll = nan", "0 to 1,000,000"),
        ("[tolerance]\nroll = [1.0, 2.0, 3.0]", "line 1, tolerance:", "roll", "one figure, or [firm, soft]"),
        ("[file_spec]\nwidth_px = 1600.5", "line 2, file_spec.width_px:", "1600.5", "a whole number"),
        ("[tolerance]\nroll = 1.7e308", "line 1, tolerance:", "roll = 1.7e+308", "0 to 1,000,000"),
        ("[framing]\ncentre_dx = 1e300", "line 2, framing.centre_dx:", "1e+300", "1,000,000 or less"),
        ("[framing]\npx_per_cm = inf", "line 2, framing.px_per_cm:", "inf", "not inf or nan"),
        ("[limits]\nmemory_bytes = 100000000000000000000", "line 2, limits.memory_bytes:", "100000000000000000000", "or less"),
        ("[file_spec]\naspect = '" + "y" * 5000 + "'", "line 2, file_spec.aspect:", "yyy ... yyy", 'for example "4:5"'),
        ("[file_spec]\nwidth_px = 0", "line 2, file_spec.width_px:", "0", "1 or more"),
        ('[file_spec]\naspect = "wide"', "line 2, file_spec.aspect:", "'wide'", "width:height"),
        ('[file_spec]\nformat = "GIF"', "line 2, file_spec.format", '"GIF"', '"JPEG"'),
        ('[views]\ncounts = { detail = [6, 1] }', "line 2, views.counts:", "[6, 1]", "[least, most]"),
        ('[views]\ncounts = { detail = 6 }', "views.counts.detail:", "6", "a list"),
        ('[views]\nrequired = "front"', "line 2, views.required:", '"front"', "a list in square brackets"),
        ('[views]\nrequired = ["front", "a/b"]', "line 2, views.required.2:", '"a/b"', "a name of letters"),
        ('[views]\nkinds = { front = "standing" }', "views.kinds.front:", '"standing"', '"upright"'),
        ('[views]\nwords = { front = ["hero"], back = ["Hero"] }', "views:", "'Hero'", "both"),
        ('[framing]\nrule = "equal"', "line 2, framing.rule:", '"equal"', '"equal_height"'),
        ('[strap]\nfront = "off"', "line 2, strap.front:", '"off"', '"none"'),
        ('[names]\npatterns = ["{sku}_{veiw}"]', "line 2, names.patterns:", "{sku}_{veiw}", "{view}"),
        ("[sampling]\naql = 3", "line 2, sampling.aql:", "3", "2.5, 4"),
        ("[verdict]\nreturn_delivery_above = 10", "line 2, verdict.return_delivery_above:", "10", "1 or less"),
        ("[privacy]\npersonal_fields = 1", "line 2, privacy.personal_fields:", "1", "true or false"),
        ("views = 3", "line 1, views:", "3", "a table of keys"),
        ('[[views.conditional]]\nstyles = ["tote"]', "views.conditional.1.name", "missing", "needed"),
        ('[checks]\nskip = ["noize"]', "line 2, checks.skip.1:", '"noize"', '"noise"'),
    ],
)  # fmt: skip
def test_a_wrong_brief_names_file_place_found_and_allowed(text, place, found, allowed):
    message = fault(text)
    assert message.startswith("my.toml")
    for part in (place, found, allowed):
        assert part in message, message
    assert "pydantic" not in message and "Error" not in message


def test_broken_toml_is_told_with_line_and_column():
    assert "my.toml, line 2, column" in fault("[views]\nrequired = [front]")
    assert "my.toml, line 3, column" in fault("[views]\nmain = 'a'\nmain = 'b'\n")
    assert "my.toml" in fault("[views")
    assert "nested too deeply" in fault("x = " + "[" * 5000)


def test_several_faults_are_told_together_up_to_a_number():
    message = fault("".join(f"wrong_{n} = 1\n" for n in range(9)))
    assert message.count("not known") == 5 and message.endswith("And 4 more.")


def test_a_missing_a_binary_and_a_windows_brief_are_told_or_read(tmp_path):
    with pytest.raises(UsageError, match="There is no brief"):
        load_brief(tmp_path / "none.toml")
    with pytest.raises(UsageError, match="is not a file"):
        load_brief(tmp_path)
    (tmp_path / "binary.toml").write_bytes(b"stage = 'auto'\n\xff\xfe")
    with pytest.raises(UsageError, match="line 2: the text is not UTF-8"):
        load_brief(tmp_path / "binary.toml")
    (tmp_path / "windows.toml").write_bytes('\ufeffstage = "finals"\r\n[views]\r\n'.encode())
    assert load_brief(tmp_path / "windows.toml").stage == "finals"
    (tmp_path / "huge.toml").write_bytes(b"#" * 2_000_000)
    with pytest.raises(UsageError, match="too large"):
        load_brief(tmp_path / "huge.toml")


# -- written out and read back --------------------------------------------------------------


def test_remarks_are_written_above_their_keys():
    text = dump_brief(
        load_brief(), {"tolerance.roll": "95 % of the approved pictures lie within", "": "From an approved delivery"}
    )
    assert text.startswith("# From an approved delivery\n")
    lines = text.splitlines()
    assert lines[lines.index("# 95 % of the approved pictures lie within") + 1].startswith("roll = ")


NAMES = st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True)
TEXTS = st.text(st.characters(codec="utf-8"), max_size=12)
BRIEFS = st.fixed_dictionaries(
    {},
    optional={
        "stage": st.sampled_from(["originals", "finals", "auto"]),
        "views": st.fixed_dictionaries(
            {},
            optional={
                "required": st.lists(NAMES, max_size=3),
                "counts": st.dictionaries(NAMES, st.tuples(st.integers(0, 2), st.integers(2, 9)).map(list), max_size=2),
                "kinds": st.dictionaries(NAMES, st.sampled_from(VIEW_KINDS), max_size=2),
                "per_style": st.dictionaries(
                    TEXTS, st.fixed_dictionaries({"required": st.lists(NAMES, max_size=2)}), max_size=2
                ),
                "conditional": st.lists(
                    st.fixed_dictionaries(
                        {"name": TEXTS, "styles": st.lists(TEXTS, max_size=2), "required": st.lists(NAMES)}
                    ),
                    max_size=2,
                ),
            },
        ),
        "tolerance": st.dictionaries(st.sampled_from(sorted(USUAL_TOLERANCES)), st.floats(0, 1e6), max_size=4),
        "file_spec": st.fixed_dictionaries({}, optional={"width_px": st.integers(1, 10**6), "colour_profile": TEXTS}),
        "reference": st.fixed_dictionaries(
            {},
            optional={
                "picture": TEXTS,
                "views": st.dictionaries(NAMES, st.fixed_dictionaries({"yaw_deg": st.floats(-90, 90)})),
            },
        ),
        "strap": st.dictionaries(NAMES, st.sampled_from(["none", "front", "any"]), max_size=2),
    },
)


@given(BRIEFS)
@settings(deadline=None)
def test_any_brief_written_out_is_read_back_the_same(data):
    brief = Brief.model_validate(data)
    assert parse_brief(dump_brief(brief)) == brief
    assert Brief.model_validate(brief.model_dump(mode="json")) == brief  # as a report's summary keeps it


@given(
    st.recursive(
        TEXTS | st.booleans() | st.integers() | st.floats(allow_nan=False), lambda inner: st.lists(inner, max_size=3)
    )
)
def test_any_value_written_as_toml_is_read_back(value):
    assert tomllib.loads(f"x = {toml_value(value)}") == {"x": value}


@given(st.text(max_size=200))
def test_any_text_is_a_brief_or_a_message(text):
    try:
        parse_brief(text)
    except UsageError as error:
        assert str(error)


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXTS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3),
    max_leaves=8,
)


@given(
    st.sampled_from(sorted(Brief.model_fields)),
    st.dictionaries(TEXTS | st.sampled_from(["required", "counts", "roll"]), JUNK),
)
@settings(deadline=None)
def test_any_value_under_a_known_key_is_read_or_told(key, value):
    def toml(thing):
        if thing is None:
            return '"none"'
        if isinstance(thing, dict):
            return "{ " + ", ".join(f"{toml_value(str(k))} = {toml(v)}" for k, v in thing.items()) + " }"
        return "[" + ", ".join(map(toml, thing)) + "]" if isinstance(thing, list) else toml_value(thing)

    try:
        parse_brief(f"{key} = {toml(value)}", "my.toml")
    except UsageError as error:
        assert str(error).startswith("my.toml")


def test_the_aql_series_is_the_standards():
    # MIL-STD-105E (1989), tables II-A to II-C: preferred AQLs, per cent nonconforming from 0.10 to 10
    assert AQLS == (0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0)
    # the series is R5 of ISO 3: each figure is the one before times the fifth root of ten, rounded
    for smaller, larger in zip(AQLS, AQLS[1:], strict=False):
        assert larger / smaller == pytest.approx(10 ** (1 / 5), rel=0.07)


def test_ratios_are_read():
    assert [aspect_ratio(text) for text in ("4:5", "1:1", "0.8", "0:1", "1:0", "x", "-4:5", "inf:1")] == [
        0.8, 1.0, 0.8, None, None, None, None, None,
    ]  # fmt: skip


def test_second_conditions_have_names_of_their_own():
    assert not set(EXTRA_TOLERANCES) & set(CHECKS)
