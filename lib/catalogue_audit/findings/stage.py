"""Originals or finals: told from what the files themselves carry."""

EXPOSURE_COLUMNS = ("exposure_time_s", "f_number", "iso", "captured_at")  # what every camera writes, and exports drop
MAJORITY = 0.5
STAGES = ("originals", "finals")


def tell_stage(frames, brief=None):
    """
    The stage that the brief names, or that most of the files are in.

    A file counts as an original when its metadata tells how it was exposed
    and when, its background was not cut out, and nothing in it says that it
    was derived. Everything else counts as a final.

    Parameters
    ----------
    frames : DataFrame
    brief : Brief, optional
        Its ``stage`` decides, unless it is 'auto'.

    Returns
    -------
    str
        'originals' or 'finals'; 'finals' where nothing was measured, as it
        asks less of the files.
    """
    named = getattr(brief, "stage", "auto")
    if named in STAGES:
        return named
    read = frames[frames["status"] != "not_measured"]
    if read.empty:
        return "finals"
    whole = read[list(EXPOSURE_COLUMNS)].notna().all(axis=1)
    derived = (read["origin"] == "derived") | (read["backdrop"] == "cut_out")
    return "originals" if (whole & ~derived).mean() > MAJORITY else "finals"
