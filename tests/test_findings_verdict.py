"""The verdict, decisions, the comparison with the audit before, the derived brief, the stage."""

import pandas as pd
import pytest

from catalogue_audit.delivery.brief import load_brief, parse_brief
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.compare import compare, compare_with_previous
from catalogue_audit.findings.decisions import apply_decisions, is_accepted, read_decisions
from catalogue_audit.findings.derive_brief import derive_brief
from catalogue_audit.findings.judge import find
from catalogue_audit.findings.stage import tell_stage
from catalogue_audit.findings.verdict import delivery_verdict, product_table
from catalogue_audit.report.tables import write_tables
from making_evidence import changed, clean_frames, evidence_of

FRONT = "NB-104_front.jpg"


@pytest.fixture(scope="module")
def frames():
    return clean_frames(products=12, seed=6)


def audited(frames, brief=None, decisions=None):
    evidence = evidence_of(frames, brief or load_brief())
    findings, _ = find(evidence)
    if decisions:
        findings = apply_decisions(findings, decisions, evidence.judged_on)
    table = product_table(evidence, findings)
    return findings, table, delivery_verdict(evidence, findings, table)


# -- verdict --------------------------------------------------------------------------------


def test_a_clean_delivery_is_accepted_with_status_0(frames):
    _, table, summary = audited(frames)
    assert summary["verdict"] == "accept" and summary["exit_status"] == 0
    assert table["verdict"].eq("accept").all()
    assert summary["complete_products"] == summary["products"] == 12
    assert summary["files"] == summary["measured"] == 48


def test_what_software_can_bring_back_is_accepted_after_corrections_with_status_1(frames):
    _, table, summary = audited(changed(frames, FRONT, roll_deg=2.0))
    assert summary["verdict"] == "accept_after_corrections" and summary["exit_status"] == 1
    assert table.set_index("sku").loc["NB-104", "verdict"] == "accept_after_corrections"


def test_one_of_twelve_products_to_be_photographed_again_is_within_the_briefs_share(frames):
    _, table, summary = audited(changed(frames, FRONT, blur_px=2.5))
    row = table.set_index("sku").loc["NB-104"]
    assert (row["verdict"], row["worst_severity"], row["findings"]) == ("return", "critical", 1)
    assert summary["products_by_verdict"]["return"] == 1
    assert summary["verdict"] == "accept_after_corrections"
    strict = parse_brief("[verdict]\nreturn_delivery_above = 0.05\n")
    assert audited(changed(frames, FRONT, blur_px=2.5), strict)[2]["verdict"] == "return"


def test_minor_findings_change_neither_verdict_nor_status(frames):
    findings, _, summary = audited(changed(frames, FRONT, shadow_kind="none"))
    assert len(findings) == 1
    assert summary["verdict"] == "accept" and summary["exit_status"] == 0


def test_a_delivery_in_which_nothing_could_be_measured_is_returned(frames):
    broken = frames.assign(status="not_measured", reason="damaged")
    _, _, summary = audited(broken)
    assert summary["verdict"] == "return" and summary["exit_status"] == 1 and summary["measured"] == 0
    assert audited(frames.iloc[:0])[2]["exit_status"] == 1


# -- decisions ------------------------------------------------------------------------------


def written(tmp_path, text, name="decisions.toml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_an_accepted_finding_stays_in_the_table_and_counts_for_nothing(frames, tmp_path):
    path = written(tmp_path, f'[[decision]]\nfile = "{FRONT}"\ncheck = "roll"\nwhy = "on purpose"\nby = "A. Buyer"\n')
    findings, table, summary = audited(changed(frames, FRONT, roll_deg=2.0), decisions=read_decisions(path))
    assert is_accepted(findings).all() and len(findings) == 1
    assert "A. Buyer" in findings.iloc[0]["note"] and "on purpose" in findings.iloc[0]["note"]
    assert table["verdict"].eq("accept").all()
    assert summary["verdict"] == "accept" and summary["exit_status"] == 0
    assert summary["accepted_findings"] == 1 and summary["findings"] == 0


def test_a_decision_past_its_last_day_is_not_honoured_and_the_note_says_so(frames, tmp_path):
    text = f'[[decision]]\nfile = "{FRONT}"\nwhy = "sample was bent"\nby = "A. Buyer"\nuntil = 2026-03-01\n'
    findings, _, summary = audited(changed(frames, FRONT, roll_deg=2.0), decisions=read_decisions(written(tmp_path, text)))
    assert not is_accepted(findings).any() and summary["exit_status"] == 1
    assert "2026-03-01" in findings.iloc[0]["note"]


def test_a_decision_on_another_check_or_product_accepts_nothing(frames, tmp_path):
    text = "file,sku,view,check,why,by,until\n,NB-105,,roll,fine,A. Buyer,\n,NB-104,,angle,fine,A. Buyer,\n"
    decisions = read_decisions(written(tmp_path, text, "decisions.csv"))
    assert len(decisions) == 2
    assert not is_accepted(audited(changed(frames, FRONT, roll_deg=2.0), decisions=decisions)[0]).any()


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("d.toml", "[[decision]\n", "not valid TOML"),
        ("d.toml", '[[decision]]\nfile = "a"\nwhy = "x"\n', "'by' is empty"),
        ("d.toml", '[[decision]]\nwhy = "x"\nby = "y"\n', "neither file"),
        ("d.toml", '[[decision]]\nfile = "a"\nchek = "roll"\n', "unknown key 'chek'"),
        ("d.toml", '[[decision]]\ncheck = "rol"\nwhy = "x"\nby = "y"\n', "unknown check 'rol'"),
        ("d.toml", '[[decision]]\nfile = "a"\nwhy = "x"\nby = "y"\nuntil = "soon"\n', "such as 2026-12-31"),
        ("d.toml", '[[decision]]\nfile = 7\nwhy = "x"\nby = "y"\n', "must be text"),
        ("d.toml", 'other = 1\n', "may hold [[decision]] tables only"),
        ("d.csv", "file,reason\na,b\n", "'reason'"),
        ("d.csv", "file,why,by\na,b,c,d\n", "line 2"),
        ("d.csv", "", "found none"),
    ],
)
def test_a_wrong_decisions_file_is_refused_with_place_and_cure(tmp_path, name, text, words):
    with pytest.raises(UsageError) as error:
        read_decisions(written(tmp_path, text, name))
    assert words in str(error.value) and name in str(error.value)
    assert str(tmp_path) not in str(error.value)


def test_a_decisions_file_that_is_not_there_or_not_text_is_refused(tmp_path):
    with pytest.raises(UsageError, match="no decisions file"):
        read_decisions(tmp_path / "none.toml")
    (tmp_path / "d.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UsageError, match="not UTF-8"):
        read_decisions(tmp_path / "d.csv")


# -- comparison -----------------------------------------------------------------------------


def test_each_state_of_a_redelivery_is_told(frames):
    before = frames.copy()
    for file, roll in (("NB-101_front.jpg", 2.0), ("NB-102_front.jpg", 2.0), ("NB-103_front.jpg", 2.0)):
        before = changed(before, file, roll_deg=roll)
    now = changed(before, "NB-101_front.jpg", roll_deg=0.0, sha256="fixed")
    now = changed(now, "NB-103_front.jpg", roll_deg=3.5, sha256="worse")
    now = changed(now, "NB-104_front.jpg", blur_px=2.5, sha256="new")
    now = changed(now, "NB-105_front.jpg", sha256="silent")
    table = compare(before, audited(before)[0], now, audited(now)[0]).set_index("file")
    states = table["state"].to_dict()
    assert states == {
        "NB-101_front.jpg": "fixed",
        "NB-102_front.jpg": "still_there",
        "NB-103_front.jpg": "worse",
        "NB-104_front.jpg": "new",
        "NB-105_front.jpg": "silently_changed",
    }
    assert table.loc["NB-103_front.jpg", "now"] > table.loc["NB-103_front.jpg", "before"]


def test_the_same_delivery_judged_again_has_nothing_fixed_and_nothing_new(frames):
    faulty = changed(frames, FRONT, roll_deg=2.0)
    findings = audited(faulty)[0]
    assert list(compare(faulty, findings, faulty, findings)["state"]) == ["still_there"]


def test_a_finding_that_vanishes_from_an_unchanged_file_is_not_called_fixed(frames):
    faulty = changed(frames, FRONT, roll_deg=2.0)
    table = compare(faulty, audited(faulty)[0], faulty, audited(faulty, parse_brief("[tolerance]\nroll = 3.0\n"))[0])
    assert list(table["state"]) == ["judged_differently"]


def test_a_view_that_came_in_and_a_file_that_is_gone_are_told_apart(frames):
    short = frames[frames["file"] != "NB-103_back.jpg"].reset_index(drop=True)
    table = compare(short, audited(short)[0], frames, audited(frames)[0])
    assert list(table["state"]) == ["fixed"] and table.iloc[0]["sku"] == "NB-103"
    faulty = changed(frames, FRONT, roll_deg=2.0)
    fewer = faulty[faulty["file"] != FRONT].reset_index(drop=True)
    table = compare(faulty, audited(faulty)[0], fewer, audited(fewer)[0])
    assert set(table["state"]) == {"gone", "new"}


def test_the_report_before_is_read_from_its_folder(frames, tmp_path):
    faulty = changed(frames, FRONT, roll_deg=2.0)
    findings = audited(faulty)[0]
    write_tables(tmp_path / "tables", {"frames": faulty, "findings": findings})
    assert list(compare_with_previous(tmp_path, faulty, findings)["state"]) == ["still_there"]
    with pytest.raises(UsageError, match="no readable report"):
        compare_with_previous(tmp_path / "elsewhere", faulty, findings)


# -- brief from an approved delivery --------------------------------------------------------


def test_a_derived_brief_reads_back_and_accepts_the_delivery_it_came_from(frames):
    text = derive_brief(frames, {"stage": "originals", "delivery": "spring"})
    brief = parse_brief(text)
    assert brief.stage == "originals"
    assert brief.reference.views["three_quarter"].yaw_deg == pytest.approx(frames["yaw_deg"].median(), abs=0.06)
    assert brief.reference.background_Lab[0] == pytest.approx(93.0, abs=0.3)
    assert (brief.file_spec.width_px, brief.file_spec.format, brief.file_spec.colour_profile) == (1600, ["JPEG"], "sRGB")
    findings = find(evidence_of(frames, brief))[0]
    assert len(findings) <= 1, list(findings["note"])
    assert "spring" in text.splitlines()[0]


def test_a_derived_brief_judges_the_next_delivery_by_the_approved_values(frames):
    brief = parse_brief(derive_brief(frames, {"stage": "originals"}))
    turned = frames.copy()
    turned["roll_deg"] = turned["roll_deg"] + 3.0  # the whole next delivery: steady in itself
    findings = find(evidence_of(turned, brief))[0]
    assert set(findings["check"]) == {"roll"} and findings["file"].isna().all()
    assert set(findings["view"]) == {"three_quarter", "front", "back"}


def test_a_restless_accepted_delivery_widens_the_tolerance_and_says_why(frames):
    restless = frames.copy()
    restless["roll_deg"] = restless["roll_deg"] * 2.5
    text = derive_brief(restless)
    assert parse_brief(text).tolerance_of("roll") > 1.2
    assert "Widened from 0.8" in text


# -- stage ----------------------------------------------------------------------------------


def test_the_stage_is_told_from_the_files_unless_the_brief_names_it(frames):
    finals = clean_frames(products=4, seed=1, stage="finals").assign(
        captured_at=pd.Series(None, dtype="str"), exposure_time_s=float("nan")
    )
    assert tell_stage(frames) == "originals"
    assert tell_stage(finals) == "finals"
    assert tell_stage(frames, load_brief()) == "originals"
    assert tell_stage(frames, parse_brief('stage = "finals"\n')) == "finals"
    assert tell_stage(frames.iloc[:0]) == "finals"


def test_originals_of_a_camera_whose_clock_was_never_set_are_originals(frames):
    """Exif 2.32 (CIPA DC-008), 4.6.5: a time that is not known is left blank; the other tags of the camera stay."""
    untimed = frames.assign(captured_at=pd.Series(None, dtype="str"), camera_make="Maker", camera_model="M 1")
    assert tell_stage(untimed.assign(format="JPEG", backdrop="dark")) == "originals"
    for against in (
        {"format": "WebP"},  # no camera writes it
        {"background_clipped": 0.99},  # pure white, as finals have it
        {"backdrop": "cut_out"},
        {"origin": "derived"},
        {"camera_model": None},
        {"exposure_time_s": float("nan")},
    ):
        assert tell_stage(untimed.assign(**({"format": "JPEG", "backdrop": "dark"} | against))) == "finals", against


def test_a_duplicate_is_fixed_on_the_file_that_stayed_when_its_copy_is_gone(frames):
    pairs = pd.DataFrame({"file_a": ["NB-104_back.jpg"], "file_b": [FRONT], "kind": ["same_bytes"]})
    before = find(evidence_of(frames, load_brief(), pairs=pairs))[0]
    assert list(before["check"]) == ["exact_duplicate"] * 2 and before["cause"].nunique() == 1
    states = compare(frames, before, changed(frames, FRONT, sha256="f" * 64), before.iloc[:0]).set_index("file")["state"]
    assert states["NB-104_back.jpg"] == states[FRONT] == "fixed"


def test_each_reason_is_one_plain_sentence_with_counts_by_cause(frames):
    pairs = pd.DataFrame({"file_a": ["NB-104_back.jpg"], "file_b": [FRONT], "kind": ["same_bytes"]})
    evidence = evidence_of(frames, load_brief(), pairs=pairs)
    findings, _ = find(evidence)
    summary = delivery_verdict(evidence, findings, product_table(evidence, findings))
    assert summary["findings"] == 1 and summary["findings_by_check"] == {"exact_duplicate": 1}
    assert summary["reasons"] == ["1 thing can be put right without new pictures: 1 to look at"]
    evidence = evidence_of(changed(frames.assign(sku=frames["sku"].where(frames["file"] != FRONT)), FRONT, blur_px=2.5), load_brief())
    findings, _ = find(evidence)
    reasons = delivery_verdict(evidence, findings, product_table(evidence, findings))["reasons"]
    assert "1 picture of no known product needs to be taken or supplied again (focus)" in reasons


def test_a_fault_of_a_photograph_in_two_files_is_said_of_one(frames):
    """Of the two files that hold it, of the unnumbered one; what only one of them has stays its own."""
    pairs = pd.DataFrame({"file_a": ["NB-104_back.jpg"], "file_b": [FRONT], "kind": ["same_bytes"]})
    soft = changed(changed(frames, FRONT, blur_px=2.5, roll_deg=2.0), "NB-104_back.jpg", blur_px=2.5, position=2)
    findings, _ = find(evidence_of(soft, load_brief(), pairs=pairs))
    assert list(findings.loc[findings["file"].isna(), "check"]) == ["missing_view"]  # a second back without a first
    said = findings[findings["file"].notna() & (findings["check"] != "exact_duplicate")]
    assert sorted(zip(said["file"], said["check"], strict=True)) == [(FRONT, "focus"), (FRONT, "roll")]


def test_dirt_on_the_sensor_is_said_of_each_file_of_a_photograph(frames):
    pairs = pd.DataFrame({"file_a": ["NB-104_back.jpg"], "file_b": [FRONT], "kind": ["same_bytes"]})
    spotted = changed(changed(frames, FRONT, sensor_spots=2), "NB-104_back.jpg", sensor_spots=2, position=2)
    findings, _ = find(evidence_of(spotted, load_brief(), pairs=pairs))
    assert sorted(findings.loc[findings["check"] == "sensor_spots", "file"]) == ["NB-104_back.jpg", FRONT]
