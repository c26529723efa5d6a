"""The report opened in a browser from disk, with the network off."""

import os
from pathlib import Path

import pytest
from catalogue_audit.report.chart_files import write_charts
from catalogue_audit.report.page import write_page
from catalogue_audit.report.picture_names import correction_name, evidence_name, thumb_name
from catalogue_audit.report.pictures import write_pictures
from making_audit import make_audit
from making_report import write_made_report
from test_report_page import hostile_audit

pytestmark = pytest.mark.browser
WIDTHS = (1280, 390)
A4_WIDTH, A4_HEIGHT = 186 / 25.4 * 96, 842  # px: the page's text width at 12 mm margins
AXE_PLACES = (Path(__file__).parent / ".axe" / "node_modules" / "axe-core" / "axe.min.js",)


@pytest.fixture(scope="module")
def report(tmp_path_factory, chromium_path):
    return write_made_report(make_audit(), tmp_path_factory.mktemp("report"))


@pytest.fixture
def opened(browser):
    """Open a folder's page; at the end nothing may have gone wrong in it."""
    faults, contexts = [], []

    def open_page(folder, width=1280, **context):
        contexts.append(browser.new_context(viewport={"width": width, "height": 800}, offline=True, **context))
        page = contexts[-1].new_page()
        page.on("console", lambda message: faults.append(message.text) if message.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("requestfailed", lambda request: faults.append(request.url))
        page.on("request", lambda request: None if request.url.startswith(("file:", "data:")) else faults.append(request.url))
        page.goto(folder.joinpath("report.html").as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert faults == []


def _scroll_through(page):
    for place in range(0, page.evaluate("document.documentElement.scrollHeight"), 1500):
        page.evaluate(f"window.scrollTo(0, {place})")
        page.wait_for_timeout(15)


@pytest.mark.parametrize("width", WIDTHS)
def test_the_page_opens_whole_and_never_scrolls_sideways(report, opened, width):
    page = opened(report, width)
    _scroll_through(page)
    page.wait_for_function("Array.from(document.images).filter(i => i.complete).every(i => i.naturalWidth > 0)")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("document.images.length") > 100


def test_the_ten_worst_things_are_in_the_first_two_screens(report, opened):
    page = opened(report)
    assert page.locator(".work").bounding_box()["y"] < 800
    last = page.locator(".worst li").nth(9).bounding_box()
    assert last["y"] + last["height"] < 2 * 800


def test_filters_show_what_they_say(report, opened):
    page = opened(report)
    rows = page.locator("#findings tbody tr:visible")
    total = rows.count()
    page.select_option("#filters select[name=severity]", "critical")
    assert rows.count() == page.locator("#findings tbody tr[data-s=critical]").count() == 6
    assert page.locator(".card:visible").count() == 6
    assert page.locator("#filters output").text_content() == f"6 of {total} shown"
    page.fill("#filters input[name=text]", "BG-0103")
    assert rows.count() == 1
    page.click("#filters button[type=reset]")
    page.wait_for_function(f"document.querySelectorAll('#findings tbody tr:not([hidden])').length === {total}")
    page.click("[data-set-remedy=supply]")
    assert rows.count() == 3


def test_a_heading_sorts_its_column_both_ways(report, opened):
    page = opened(report)
    head = page.locator("#findings thead th", has_text="Measured")
    values = "Array.from(document.querySelectorAll('#findings tbody tr td.n')).map(c => c.dataset.v).filter(v => v).map(Number)"
    head.locator("button").click()
    up = page.evaluate(values)
    assert up == sorted(up) and head.get_attribute("aria-sort") == "ascending"
    head.locator("button").press("Enter")
    assert page.evaluate(values) == up[::-1] and head.get_attribute("aria-sort") == "descending"


def test_links_between_row_card_and_measurements_work(report, opened):
    page = opened(report)
    row = page.locator("#findings tbody tr").first
    card = row.get_attribute("data-c")
    row.locator("td a").first.click()
    assert page.evaluate("location.hash") == f"#{card}"
    assert page.locator(f"#{card}").evaluate("e => { const b = e.getBoundingClientRect(); return b.top >= 0 && b.top < innerHeight }")
    page.select_option("#filters select[name=severity]", "minor")
    page.locator(f".worst h3 a[href='#{card}']").click()
    assert page.locator(f"#{card}").is_visible()
    page.select_option("#filters select[name=severity]", "minor")
    shown_at_once = "link => { link.click(); return !document.querySelector(link.hash).closest('[hidden]'); }"
    assert page.locator(f".worst h3 a[href='#{card}']").evaluate(shown_at_once)


def test_outlines_can_be_taken_off(report, opened):
    page = opened(report)
    assert page.locator(".grid svg").first.is_visible()
    page.uncheck("#outlines")
    assert not page.locator(".grid svg").first.is_visible()


def test_the_keyboard_reaches_the_findings_first(report, opened):
    page = opened(report)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_without_scripts_everything_is_still_there(report, opened):
    page = opened(report, java_script_enabled=False)
    assert page.locator("#findings tbody tr").count() == 40
    assert not page.locator("#filters").is_visible()


def test_no_table_is_cut_off_on_paper(report, opened):
    page = opened(report, round(A4_WIDTH))
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    wide = page.evaluate(
        "(w) => Array.from(document.querySelectorAll('table, img, .card')).filter(e => e.getBoundingClientRect().right > w + 1)"
        ".map(e => e.outerHTML.slice(0, 80))",
        A4_WIDTH,
    )
    assert wide == []
    assert page.evaluate("Array.from(document.querySelectorAll('details:not(.why)')).every(d => d.open)")


def test_print_gives_pages(report, opened):
    pypdf = pytest.importorskip("pypdf", reason="pypdf is not installed")
    page = opened(report)
    import io

    pages = pypdf.PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))).pages
    texts = [one.extract_text() for one in pages]
    assert "Send back" in texts[0] and 10 < len(pages) < 45
    assert f"2 / {len(pages)}" in texts[1]
    assert sum("In words" in text for text in texts) > 2  # the headings of a long table are repeated


@pytest.mark.parametrize("kind", ["faulty", "clean", "empty", "phone"])
def test_no_serious_fault_of_accessibility(report, opened, tmp_path, kind):
    axe = next((path for path in (Path(os.environ.get("AXE_CORE_JS", "/nonexistent")), *AXE_PLACES) if path.is_file()), None)
    if axe is None:
        pytest.skip("axe-core is not here: 'npm install --prefix tests/.axe axe-core', or set AXE_CORE_JS")
    folder = report
    if kind in ("clean", "empty"):
        folder = write_made_report(make_audit(12 if kind == "clean" else 0, faults=False), tmp_path)
    page = opened(folder, 390 if kind == "phone" else 1280, bypass_csp=True)
    page.evaluate(axe.read_text(encoding="utf-8") + "; void 0")
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
    serious = [violation for violation in found if violation["impact"] in ("serious", "critical")]
    assert [(violation["id"], node["html"][:120]) for violation in serious for node in violation["nodes"][:3]] == []


def test_hostile_texts_run_nothing(opened, tmp_path):
    page = opened(write_made_report(hostile_audit(), tmp_path))
    page.wait_for_timeout(300)
    assert page.evaluate("window.hit") is None
    assert page.evaluate("document.documentElement.scrollWidth") <= 1280


def _with_the_same_picture_everywhere(audit, folder):
    """The page of an audit whose thumbnails, and whose evidence, are one file under many names; returns the folder."""
    made = make_audit(1)
    made_sizes = write_pictures(made, folder / "made")
    (folder / "pictures").mkdir()
    sizes = {}
    for name_of, rows in ((thumb_name, len(audit.frames)), (evidence_name, len(audit.findings)), (correction_name, len(audit.corrections))):
        first = next(name_of(row) for row in range(len(made.frames)) if name_of(row) in made_sizes)
        for row in range(rows):
            (folder / "pictures" / name_of(row)).hardlink_to(folder / "made" / "pictures" / first)
            sizes[name_of(row)] = made_sizes[first]
    write_page(audit, folder, sizes, write_charts(audit, folder))
    return folder


def test_two_thousand_pictures_open_in_under_three_seconds(opened, tmp_path):
    audit = make_audit(400)
    folder = _with_the_same_picture_everywhere(audit, tmp_path)
    assert len(audit.frames) == 2000 and (folder / "report.html").stat().st_size < 1_500_000 + 500 * 2000
    page = opened(folder)
    page.evaluate("new Promise(done => requestAnimationFrame(() => setTimeout(done, 0)))")
    session = page.context.new_cdp_session(page)
    session.send("Performance.enable")
    measured = {entry["name"]: entry["value"] for entry in session.send("Performance.getMetrics")["metrics"]}
    assert measured["ProcessTime"] < 3.0  # s of computing; the wall clock of a busy machine says nothing
