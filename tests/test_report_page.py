"""The page: whole, escaped, calm, and no number that is not in the tables."""

import dataclasses
import json
import re

import pandas as pd
import pytest
from bs4 import BeautifulSoup
from catalogue_audit.report.audit import read_audit, write_data
from catalogue_audit.report.headline import headline
from catalogue_audit.report.page import write_page
from catalogue_audit.report.page_words import environment
from catalogue_audit.report.pictures import write_pictures
from catalogue_audit.report.tables import read_table
from catalogue_audit.schema import SEVERITIES, TABLES
from making_audit import make_audit
from making_report import write_made_report

HOSTILE = (
    "<script>window.hit=1</script>",
    "\"><img src=x onerror=window.hit=1>",
    "'-window.hit-'",
    "{{ 7*7 }}{% raw %}",
    "javascript:window.hit=1",
    "\u202egpj.exe",
    "</style></title><svg onload=window.hit=1>",
    "=cmd|' /C calc'!A0",
    "a\x1b[31mred\x00\n\r\u2028b",
)
NOT_UTF8 = b"caf\xe9".decode("utf-8", "surrogateescape")
NUMBER = re.compile(r"[−+]?\d[\d\u202f]*(?:\.\d+)?")


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    audit = make_audit()
    return audit, write_made_report(audit, tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def page(report):
    return BeautifulSoup((report[1] / "report.html").read_text(encoding="utf-8"), "html.parser")


def _number(text):
    return float(text.replace("\u202f", "").replace("−", "-"))


def _is_rounding(shown, values):
    """True where the text is one of the values, or a hundred times one, rounded as shown."""
    digits = len(shown.split(".")[1]) if "." in shown else 0
    half = 0.5 * 10**-digits + 1e-9
    return any(abs(_number(shown) - factor * value) <= half for value in values for factor in (1, 100))


def test_the_first_screen_says_verdict_reasons_and_counts(page):
    top = page.find("header")
    assert "Send back" in top.h1.text
    assert [link["data-set-remedy"] for link in top.select(".work a")] == ["reshoot", "supply", "retouch", "re-export", "rename", "check"]
    assert "32 things to do" in top.select_one(".lead").text


def test_every_finding_has_a_row_a_picture_and_a_card(report, page):
    audit, folder = report
    for number in range(1, len(audit.findings) + 1):
        row = page.find(id=f"r{number}")
        assert row is not None
        assert (folder / row.select_one("td.open a")["href"]).is_file()
        assert page.find(id=row["data-c"]).name == "article"


def test_every_card_shows_picture_number_tolerance_and_remedy(report, page):
    audit, _ = report
    for card in page.select(".card"):
        finding = audit.findings.iloc[int(card["id"][1:]) - 1]
        assert card.find("img")["alt"]
        assert card.select_one(".remedy").text
        if pd.notna(finding["value"]) and pd.notna(finding["tolerance"]):
            assert len(NUMBER.findall(card.select_one(".num").text)) >= 2


def test_every_number_of_a_finding_is_in_the_findings_table(report, page):
    _, folder = report
    table = read_table(folder / "tables" / "findings.csv", "findings")
    seen = 0
    for place in [*page.select(".card"), *page.select(".worst li")]:
        number = int(re.search(r"\d+", place.get("id") or place.a["href"])[0])
        of_cause = table["cause"].eq(table.loc[number - 1, "cause"]) | (table.index == number - 1)
        values = [value for row in table[of_cause].index for value in _figures(table.loc[row])]
        text = place.select_one(".num")
        for shown in NUMBER.findall(text.text.replace("ΔE00", "").replace("L*", "")) if text else ():
            assert _is_rounding(shown, values), (number, shown, values)
            seen += 1
    assert seen > 55


def _figures(finding):
    """What may be said of a finding: its figures, its difference from what is expected, and its limit."""
    value, expected, tolerance = (finding[name] for name in ("value", "expected", "tolerance"))
    return [figure for figure in (value, expected, tolerance, value - expected, expected + tolerance) if pd.notna(figure)]


def test_every_number_of_the_big_tables_is_in_the_csv_files(report, page):
    _, folder = report
    findings = read_table(folder / "tables" / "findings.csv", "findings")
    for row in page.select("#findings tbody tr"):
        cell = row.select_one("td.n")
        finding = findings.loc[int(row["id"][1:]) - 1]
        assert (cell.text == "") == pd.isna(finding["value"])
        assert pd.isna(finding["value"]) or _is_rounding(NUMBER.findall(cell.text)[0], _figures(finding)[:1] + [finding["value"] - finding["expected"]])
    frames = read_table(folder / "tables" / "frames.csv", "frames")
    table = page.select_one("table.dense")
    names = [head.text for head in table.select("thead th")]
    for number, row in enumerate(table.select("tbody tr")):
        for name, cell in zip(names, row.find_all(["td", "th"], recursive=False), strict=True):
            if name in frames.columns and frames[name].dtype.kind == "f":
                value = frames.loc[number, name]
                assert cell.text == "" if pd.isna(value) else _number(cell.text) == pytest.approx(value, rel=1e-5)


def test_counts_on_the_page_are_counts_of_the_tables(report, page):
    audit, _ = report
    facts = {row.dt.text.strip(): row.dd.text for row in page.select(".facts div")}
    assert facts["Pictures"] == f"{len(audit.frames)} files, 1 not measured"
    table = page.select_one("table.small")
    total = sum(int(cell.text or 0) for cell in table.select("td"))
    assert total == len(audit.findings)


def test_all_links_lead_somewhere_and_none_to_a_network(report, page):
    _, folder = report
    for element in page.find_all(True):
        for name in ("src", "href"):
            link = element.get(name)
            if not link or link == "data:,":
                continue
            assert not re.match(r"[a-z]+:", link), link
            if link.startswith("#"):
                assert page.find(id=link[1:]) is not None, link
            else:
                assert (folder / link).is_file(), link
    assert "http" not in (folder / "report.html").read_text(encoding="utf-8").replace("http-equiv", "")


def test_ids_are_unique_and_images_have_words_and_size(page):
    ids = [element["id"] for element in page.find_all(id=True)]
    assert len(ids) == len(set(ids))
    for image in page.find_all("img"):
        assert image.has_attr("alt")
        if not image["src"].endswith(".svg"):
            assert image.has_attr("width") and image.has_attr("height")


def test_pictures_wait_only_where_there_are_many(report, page, tmp_path, monkeypatch):
    """A page of few pictures is whole at once, as for a full-page screenshot; one of thousands opens quickly."""
    assert not page.select("img[loading=lazy]") and not page.body.get("class")
    audit, folder = report
    sizes = {path.name: (100, 100) for path in (folder / "pictures").iterdir()}
    monkeypatch.setattr("catalogue_audit.report.page.MANY_PICTURES", len(sizes) - 1)
    write_page(audit, tmp_path, sizes, {})
    many = BeautifulSoup((tmp_path / "report.html").read_text(encoding="utf-8"), "html.parser")
    assert many.body["class"] == ["many"]
    assert len(many.select("img[loading=lazy]")) >= len(many.find_all("img")) - 10


def test_charts_have_the_answer_as_alternative_text(page):
    charts = page.select(".chart .wide img")
    assert len(charts) == 11
    assert all(len(image["alt"]) > 40 for image in charts)


def test_a_clean_delivery_is_short_and_calm(tmp_path):
    audit = make_audit(faults=False)
    folder = write_made_report(audit, tmp_path)
    page = BeautifulSoup((folder / "report.html").read_text(encoding="utf-8"), "html.parser")
    assert page.h1.text.strip() == "Accept"
    assert page.select_one(".lead").text == "Nothing needs action."
    assert not page.select(".card, .worst, #findings, .sev, [role=alert]")


@pytest.mark.parametrize("unread", [False, True])
def test_where_nothing_was_measured_the_report_still_says_so(tmp_path, unread):
    audit = make_audit(0, faults=False)
    if unread:
        rows = [{"file": f"{n}.jpg", "status": "not_measured", "reason": "The file is empty."} for n in range(3)]
        frames = pd.concat([audit.frames, pd.DataFrame(rows)], ignore_index=True).astype(audit.frames.dtypes)
        audit = dataclasses.replace(audit, frames=frames)
    folder = write_made_report(audit, tmp_path)
    page = BeautifulSoup((folder / "report.html").read_text(encoding="utf-8"), "html.parser")
    words = "Nothing in this delivery could be measured." if unread else "There is no picture in this delivery."
    assert words in page.select_one(".lead").text
    assert not unread or page.text.count("The file is empty.") == 3
    assert page.find(id="method")


def test_an_incomplete_report_says_so_first(tmp_path):
    audit = make_audit(1, faults=False)
    write_data(audit, tmp_path)
    write_page(audit, tmp_path, write_pictures(audit, tmp_path), {}, incomplete="The notebook 'x' did not run to its end: it <b>stopped</b>.")
    page = BeautifulSoup((tmp_path / "report.html").read_text(encoding="utf-8"), "html.parser")
    first = page.body.find(["p", "h1"])
    assert first.get("role") == "alert" and "Incomplete" in first.text and "<b>stopped</b>" in first.text


def hostile_audit():
    """A made audit whose every text from outside is hostile."""
    audit = make_audit(4)
    texts = {}
    for name in TABLES:
        table = getattr(audit, name).copy()
        for column in TABLES[name]:
            if column.type == "text" and column.name not in ("status", "check", "severity", "remedy", "file", "view_kind", "captured_at", "verdict", "worst_severity"):
                known = table[column.name].notna()
                table.loc[known, column.name] = [HOSTILE[n % len(HOSTILE)] for n in range(int(known.sum()))]
        texts[name] = table
    summary = audit.summary | {"delivery": HOSTILE[0] + HOSTILE[5], "brief": {HOSTILE[1]: HOSTILE[2], "tolerance": {}}, "tool_version": HOSTILE[3]}
    return dataclasses.replace(audit, **texts, summary=summary, notes=(*HOSTILE, NOT_UTF8), versions={HOSTILE[0]: HOSTILE[1]}, framing_rule=HOSTILE[6])


def test_texts_from_outside_are_shown_and_never_part_of_the_page(tmp_path):
    folder = write_made_report(hostile_audit(), tmp_path)
    html = (folder / "report.html").read_text(encoding="utf-8")
    page = BeautifulSoup(html, "html.parser")
    assert len(page.find_all("script")) == 1 and not page.find_all("img", src="x")
    assert not [e for e in page.find_all(True) for name in e.attrs if name.startswith("on")]
    assert "\u202e" not in html and "\x1b" not in html and "\x00" not in html
    assert "<script>window.hit=1</script>" in page.text and "{{ 7*7 }}" in page.text and "caf\\xe9" in page.text


def test_a_saved_report_reads_back_as_it_was(report):
    audit, folder = report
    back = read_audit(folder)
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(back, name), getattr(audit, name), check_exact=False, atol=1e-4)
    assert back.summary == json.loads(json.dumps(audit.summary))
    assert len(back.spots) == len(audit.spots) and back.pairs["kind"].tolist() == ["same_pixels"]


def test_headlines_count_causes_not_pictures():
    head = headline(make_audit())
    assert sum(head["counts"].values()) == 38 and set(head["counts"]) == set(SEVERITIES)


def test_the_page_of_a_huge_delivery_stays_small_and_counts_what_it_leaves_out(tmp_path):
    audit = make_audit(12)
    more = {}
    for name in ("frames", "findings"):
        table = pd.concat([getattr(audit, name)] * 120, ignore_index=True)
        table["file"] = [file if pd.isna(file) else f"{n:05d}/a rather long folder name/{file}" for n, file in enumerate(table["file"])]
        more[name] = table
    audit = dataclasses.replace(audit, **more)
    write_page(audit, tmp_path, {}, {})
    assert (tmp_path / "report.html").stat().st_size < 3_000_000
    page = BeautifulSoup((tmp_path / "report.html").read_text(encoding="utf-8"), "html.parser")
    shown = len(page.select("#findings tbody tr"))
    assert f"{len(audit.findings) - shown} more findings are in tables/findings.csv" in page.text


def test_every_template_compiles():
    engine = environment()
    assert all(engine.get_template(name) for name in engine.list_templates(extensions=["html"]))


def test_what_became_of_the_findings_before_stands_at_the_top_and_in_words(tmp_path):
    comparison = pd.DataFrame(
        {
            "file": ["BG-0101_front.jpg", None], "sku": ["BG-0101", "BG-0102"], "view": ["front", "back"], "check": ["scale", "missing_view"],
            "state": ["still_there", "fixed"], "severity": ["major", "critical"], "before": [0.14, float("nan")], "now": [0.12, float("nan")], "unit": ["fraction", None],
            "note": ["Was reported before and is still there.", "Was delivered."],
        }
    )  # fmt: skip
    audit = dataclasses.replace(make_audit(3), comparison=comparison)
    write_page(audit, tmp_path, write_pictures(audit, tmp_path), {})
    page = BeautifulSoup((tmp_path / "report.html").read_text(encoding="utf-8"), "html.parser")
    assert "1 still there, 1 fixed" in page.select_one("header .facts").text
    assert page.select_one("nav a[href='#comparison']") is not None
    cells = [cell.text for cell in page.find(id="comparison").find_parent("section").select("tbody tr")[0].find_all("td")]
    assert cells[0] == "still there" and "Scale" in cells and "+14 %" in cells and "+12 %" in cells and "fraction" not in " ".join(cells)
