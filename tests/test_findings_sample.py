"""The random sample for what only eyes can judge: drawn, read back from its sheet, decided, switched by earlier deliveries."""

import json

import pytest

from catalogue_audit.delivery.brief import load_brief, parse_brief
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.judge import find
from catalogue_audit.findings.sample import lot_key, read_check_sheet, read_earlier, sampling_summary, take_sample
from catalogue_audit.findings.verdict import delivery_verdict, product_table
from catalogue_audit.report.sheets import write_csv
from making_evidence import clean_frames, evidence_of

QUESTIONS = tuple(load_brief().sampling.questions)
SKUS = tuple(f"BAG-{number:03d}" for number in range(60))


def sheet(tmp_path, answers, heading=None, separator=","):
    """A filled-in sheet: SKU → its answers, or one answer for every question."""
    lines = [separator.join(heading or ["row", "sku", "name", *QUESTIONS, "note"])]
    for number, (sku, given) in enumerate(answers.items(), 1):
        given = [given] * len(QUESTIONS) if isinstance(given, str) else given
        lines.append(separator.join([str(number), sku, "", *given, "as seen"]))
    path = tmp_path / "check_sheet.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def taken(tmp_path, answers, settings=None, skus=SKUS, earlier=(), **how):
    settings = settings or load_brief().sampling
    return take_sample(skus, settings, read_check_sheet(sheet(tmp_path, answers, **how), settings.questions), earlier)


def drawn(skus=SKUS, settings=None):
    return list(take_sample(skus, settings or load_brief().sampling).answers)


def test_the_plan_is_the_standards():
    """MIL-STD-105E, Tables I and II-A: lot 60, level II, code letter E; AQL 2.5 points down to F, n = 20, 1/2."""
    plan = take_sample(SKUS, load_brief().sampling).plan
    assert (plan.letter, plan.n, plan.accept, plan.reject) == ("F", 20, 1, 2)


def test_products_are_drawn_not_pictures_and_the_seed_decides():
    other = parse_brief("[sampling]\nseed = 2\n").sampling
    assert drawn() == drawn(tuple(reversed(SKUS))) and len(set(drawn())) == 20
    assert drawn(settings=other) != drawn()


def test_an_unfilled_sheet_decides_nothing(tmp_path):
    sample = taken(tmp_path, dict.fromkeys(drawn(), ""))
    assert sample.decision is None and sample.answered == []


def test_a_sheet_in_order_is_accepted_and_one_wrong_product_too(tmp_path):
    assert taken(tmp_path, dict.fromkeys(drawn(), "yes")).decision == "accept"
    one = dict.fromkeys(drawn(), "Y") | {drawn()[3]: ["no", "yes", "-", "yes"]}
    sample = taken(tmp_path, one)
    assert sample.decision == "accept" and sample.nonconforming == [drawn()[3]]


def test_two_wrong_products_reject_even_before_the_sheet_is_complete(tmp_path):
    answers = {sku: "no" for sku in drawn()[:2]}
    assert taken(tmp_path, answers).decision == "reject"
    assert taken(tmp_path, {drawn()[0]: "no"}).decision is None


def test_a_product_that_was_not_drawn_is_refused(tmp_path):
    chosen = next(sku for sku in SKUS if sku not in drawn())
    with pytest.raises(UsageError, match=f"{chosen} is not in the sample"):
        taken(tmp_path, {chosen: "yes"})


def test_a_sheet_saved_by_a_spreadsheet_is_read(tmp_path):
    """Semicolons, leading zeros dropped, case changed, one more column."""
    skus = tuple(f"{number:05d}" for number in range(7, 12))
    heading = ["row", "SKU", "name", *[question.upper() for question in QUESTIONS], "Note"]
    sample = taken(tmp_path, {sku.lstrip("0"): "yes" for sku in skus}, skus=skus, heading=heading, separator=";")
    assert sample.plan.whole_lot and sample.decision == "accept" and list(sample.answers) == list(skus)


def test_a_question_that_looks_like_a_formula_stands_behind_an_apostrophe_and_is_found_there(tmp_path):
    settings = parse_brief("[sampling]\nquestions = ['=sum right', '+ tag', 'zip straight']").sampling
    rows = [{"row": 1, "sku": "A1", "=sum right": "yes", "+ tag": "no", "zip straight": "-", "note": ""}]
    write_csv(tmp_path / "sheet.csv", list(rows[0]), rows)
    assert (tmp_path / "sheet.csv").read_text(encoding="utf-8").startswith("row,sku,'=sum right,'+ tag,zip straight")
    for dropped in (False, True):  # some spreadsheets write the apostrophe back, some do not
        text = (tmp_path / "sheet.csv").read_text(encoding="utf-8")
        (tmp_path / "sheet.csv").write_text(text.replace("'", "") if dropped else text, encoding="utf-8")
        read = read_check_sheet(tmp_path / "sheet.csv", settings.questions)
        assert read.answers == {"A1": {"=sum right": "yes", "+ tag": "no", "zip straight": "-"}}


@pytest.mark.parametrize(("answer", "words"), [("perhaps", "'perhaps'"), ("2", "'2'")])
def test_an_answer_that_is_none_is_told(tmp_path, answer, words):
    with pytest.raises(UsageError, match=words):
        taken(tmp_path, {drawn()[0]: answer})


def test_a_table_without_the_questions_is_no_check_sheet(tmp_path):
    with pytest.raises(UsageError, match="no column 'zip straight'"):
        taken(tmp_path, {drawn()[0]: ["yes"] * 3}, heading=["row", "sku", "name", "hardware neat", "tag placed", "stuffing natural", "note"])


def test_no_question_no_sample():
    assert take_sample(SKUS, parse_brief("[sampling]\nquestions = []\n").sampling) is None
    assert take_sample((), load_brief().sampling) is None
    with pytest.raises(UsageError, match="already"):
        parse_brief('[sampling]\nquestions = ["name"]\n')


# -- into the verdict ---------------------------------------------------------------------------


def verdict(tmp_path, wrong):
    frames = clean_frames(products=12, seed=6)
    names = drawn(tuple(dict.fromkeys(frames["sku"])))
    answers = dict.fromkeys(names, "yes") | dict.fromkeys(names[:wrong], "no")
    evidence = evidence_of(frames, load_brief(), check_sheet=read_check_sheet(sheet(tmp_path, answers), QUESTIONS))
    findings, _ = find(evidence)
    table = product_table(evidence, findings)
    return names, findings, table, delivery_verdict(evidence, findings, table)


def test_a_sample_in_order_changes_nothing(tmp_path):
    _, findings, _, summary = verdict(tmp_path, 0)
    assert findings.empty and summary["verdict"] == "accept" and summary["exit_status"] == 0


def test_a_rejected_sample_sends_the_delivery_back_and_names_the_products(tmp_path):
    """Lot 12, level II, AQL 2.5: letter B points down to C, n = 5, 0/1; one of twelve is within the brief's share."""
    names, findings, table, summary = verdict(tmp_path, 1)
    assert list(findings["check"]) == ["styling"] and findings.iloc[0]["sku"] == names[0]
    assert "hardware neat: no" in findings.iloc[0]["note"] and "as seen" in findings.iloc[0]["note"]
    assert summary["verdict"] == "return" and summary["exit_status"] == 1
    assert summary["reasons"] == [f"of 5 products drawn at random and looked at, 1 has something wrong ({names[0]}), where none may"]
    assert table.set_index("sku").loc[names[0], "verdict"] == "return"


# -- earlier deliveries ------------------------------------------------------------------------------


def earlier_reports(tmp_path, decisions, **more):
    """Report folders of earlier deliveries, newest first on disk, with their samples' decisions."""
    paths = []
    for number, decision in enumerate(decisions):
        folder = tmp_path / f"{99 - number:02d}_report"
        folder.mkdir()
        part = {"decision": decision, "lot_key": f"lot {number}", "back_to_normal": False, "sent_in_again": False, **more}
        (folder / "summary.json").write_text(json.dumps({"audited_at": f"2026-01-{number + 1:02d}", "sampling": part}))
        paths.append(folder)
    return paths


def inspection(tmp_path, decisions, settings=None, **more):
    earlier = read_earlier(sorted(earlier_reports(tmp_path, decisions, **more)))
    return take_sample(SKUS, settings or load_brief().sampling, earlier=earlier)


def test_two_rejections_of_five_tighten(tmp_path):
    """MIL-STD-105E, 4.7.1 and Table II-B: letter E at AQL 2.5 tightened points down to G, n = 32, 1/2."""
    sample = inspection(tmp_path, ["accept", "reject", "accept", "reject"])
    assert sample.switching.inspection == "tightened"
    assert (sample.plan.n, sample.plan.accept, sample.plan.reject) == (32, 1, 2)


def test_five_acceptances_on_tightened_relax(tmp_path):
    assert inspection(tmp_path, ["reject", "reject", *["accept"] * 5]).switching.inspection == "normal"


def test_ten_acceptances_reduce_where_the_brief_wants_it(tmp_path):
    wanted = parse_brief("[sampling]\nreduced = true\n").sampling
    assert inspection(tmp_path, ["accept"] * 10, wanted).switching.inspection == "reduced"
    (tmp_path / "again").mkdir()
    assert inspection(tmp_path / "again", ["accept"] * 10).switching.inspection == "normal"


def test_five_rejections_on_tightened_stop_acceptance(tmp_path):
    sample = inspection(tmp_path, ["reject"] * 7)
    assert sample.switching.stopped
    frames = clean_frames(products=12, seed=6)
    evidence = evidence_of(frames, load_brief(), earlier=tuple(read_earlier(sorted(tmp_path.glob("*_report")))))
    findings, _ = find(evidence)
    summary = delivery_verdict(evidence, findings, product_table(evidence, findings))
    assert summary["verdict"] == "return" and "stopped" in summary["reasons"][0]


def test_only_original_inspections_of_other_lots_count(tmp_path):
    """MIL-STD-105E, 4.7: the switching rules look at lots on original inspection; unfinished sheets decide nothing."""
    assert inspection(tmp_path, ["reject"] * 4, sent_in_again=True).switching.inspection == "normal"
    (tmp_path / "open").mkdir()
    assert inspection(tmp_path / "open", [None, "reject", None]).switching.inspection == "normal"
    own = [{"decision": "reject", "lot_key": lot_key(SKUS), "audited_at": day} for day in "12"]
    assert take_sample(SKUS, load_brief().sampling, earlier=own).switching.inspection == "normal"
    same = [{"decision": "reject", "lot_key": "one lot audited twice", "audited_at": day} for day in "12"]
    assert take_sample(SKUS, load_brief().sampling, earlier=same).switching.inspection == "normal"


def test_a_folder_without_a_report_is_told(tmp_path):
    with pytest.raises(UsageError, match="no report"):
        read_earlier([tmp_path])


def test_the_summary_tells_what_the_sheet_needs(tmp_path):
    settings = load_brief().sampling
    part = sampling_summary(take_sample(SKUS, settings), settings, SKUS, False)
    assert [product["sku"] for product in part["products"]] == drawn()
    assert part["words"] == "20 products to look at, 0 done" and json.dumps(part)
