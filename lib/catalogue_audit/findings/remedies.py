"""What is still possible: once the sample has left, nothing can be photographed again."""

from catalogue_audit.findings.rows import plain, text

# What software can at least improve when the bag is gone; everything else can only be looked at and decided.
RETOUCHABLE = ("strap", "exposure", "scale", "clipping", "cut_off", "focal_length", "camera_height")


def in_time(row, evidence):
    """
    A finding with the remedy that is left on the day of the judgement.

    Parameters
    ----------
    row : dict
        Finding.
    evidence : Evidence

    Returns
    -------
    dict
        The same row, or a copy with 'retouch' or 'check' for a 'reshoot' that comes too late.
    """
    if row.get("remedy") != "reshoot" or not text(row.get("sku")):
        return row
    product = evidence.supplied.get(row["sku"]) or evidence.supplied_by_key.get(row["sku"].casefold()) or {}
    until = text(product.get("sample_until"))
    if not (until and evidence.judged_on and evidence.judged_on > until):
        return row
    remedy = "retouch" if row["check"] in RETOUCHABLE else "check"
    words = "retouch what can be" if remedy == "retouch" else "decide whether to use the picture as it is"
    note = f"{row['note'].rstrip('.')}; but the sample left on {plain(until)}, so {words}."
    return {**row, "remedy": remedy, "note": note}
