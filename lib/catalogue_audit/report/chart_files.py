"""The charts of a report as files: drawn once, shown by the page and the notebooks alike."""

import xml.etree.ElementTree as ElementTree
from functools import partial

from catalogue_audit.report.picture_names import FOLDER, chart_name

DESCRIPTION = "{http://purl.org/dc/elements/1.1/}description"  # Dublin Core, as SVG's metadata carries it


def charts_of(audit):
    """
    Every chart that has something to show.

    Parameters
    ----------
    audit : Audit

    Returns
    -------
    dict of str to callable
        Name → draws the chart: its SVG and alternative text.
    """
    from catalogue_audit.report import charts, charts_control, charts_sets  # matplotlib: needed only where something is drawn
    from catalogue_audit.report.figures import svg_of

    found = {name: partial(charts.drift_chart, audit, name) for name in charts.DRIFTS if charts.has_drift(audit, name)}
    if audit.frames["exposure_group"].notna().any():
        found["setups"] = partial(charts_sets.exposure_chart, audit)
    if audit.frames["yaw_dev_deg"].notna().any():
        found["angles"] = partial(charts_sets.angle_chart, audit)
    if charts_control.has_control(audit):
        found["control"] = partial(charts_control.control_chart, audit)
    if len(audit.spots):
        found["dust"] = partial(charts_sets.dust_map, audit)
    return {name: lambda draw=draw: svg_of(*draw()) for name, draw in found.items()}


def write_charts(audit, folder):
    """
    Draw every chart that has something to show into ``<folder>/pictures``.

    Parameters
    ----------
    audit : Audit
    folder : Path
        The report folder.

    Returns
    -------
    dict of str to str
        Name → alternative text, in the order of the page.
    """
    (folder / FOLDER).mkdir(parents=True, exist_ok=True)
    drawn = {}
    for name, draw in charts_of(audit).items():
        data, drawn[name] = draw()
        (folder / FOLDER / chart_name(name)).write_bytes(data)
    return drawn


def read_chart(audit, folder, name):
    """
    A chart of a written report; drawn anew where the report was written as tables only.

    Parameters
    ----------
    audit : Audit
    folder : Path
        The report folder.
    name : str
        As `charts_of` names it.

    Returns
    -------
    tuple of bytes and str, or None
        The SVG and its alternative text; None where the chart has nothing to show.
    """
    path = folder / FOLDER / chart_name(name)
    if not path.parent.is_dir():
        draw = charts_of(audit).get(name)
        return None if draw is None else draw()
    if not path.is_file():
        return None
    data = path.read_bytes()
    words = next(ElementTree.fromstring(data).iter(DESCRIPTION), None)
    return data, "" if words is None else words.text or ""
