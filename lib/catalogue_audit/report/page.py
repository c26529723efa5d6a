"""
The page people open: one HTML file, pictures beside it, no network.

Every text goes through `plain_text` and is escaped by the template engine; no
outside text is ever part of a script or of a file name.
"""

import base64
import hashlib

from markupsafe import Markup

from catalogue_audit.report.headline import headline
from catalogue_audit.report.page_content import Room, chart_content, sheet_content, table_content, work_content
from catalogue_audit.report.page_words import TEMPLATES, environment
from catalogue_audit.report.pairs import pair_content

PAGE_BYTES = 3_000_000  # the page stays below, whatever the delivery
MANY_PICTURES = 400  # beyond, a picture is loaded and laid out only when it comes near the window


def write_page(audit, folder, sizes, charts, *, incomplete="", sheets=(), notebooks=()):
    """
    Write ``report.html``.

    Parameters
    ----------
    audit : Audit
    folder : Path
        The report folder; its pictures are already there.
    sizes : dict of str to (int, int)
        As `pictures.write_pictures` gives.
    charts : dict of str to str
        As `chart_files.write_charts` gives.
    incomplete : str
        Why the report is not whole; said first on the page. Empty where it is.
    sheets, notebooks : sequence of (file name relative to the folder, words)
        What lies beside the page.
    """
    for share in (1.0, 0.6, 0.3, 0.1, 0.03):
        html = render_page(audit, sizes, charts, Room().part(share), incomplete=incomplete, sheets=sheets, notebooks=notebooks)
        if len(html.encode()) < PAGE_BYTES:
            break
    (folder / "report.html").write_text(html, encoding="utf-8", newline="\n")


def render_page(audit, sizes, charts, room=Room(), *, incomplete="", sheets=(), notebooks=()):
    """
    The page as text.

    Returns
    -------
    str
        HTML.
    """
    engine = environment()
    script = (TEMPLATES / "page.js").read_text(encoding="utf-8")
    style = (TEMPLATES / "page.css").read_text(encoding="utf-8")
    return engine.get_template("report.html").render(
        style=Markup(style),
        script=Markup(script),
        script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        audit=audit,
        summary=audit.summary,
        head=headline(audit),
        sizes=sizes,
        many=len(sizes) > MANY_PICTURES,
        incomplete=incomplete,
        sheets=sheets,
        notebooks=notebooks,
        **chart_content(audit, charts),
        **work_content(audit, room),
        **sheet_content(audit, room),
        **table_content(audit, room.rows),
        **pair_content(audit),
    )
