"""Originals or finals: told from what the files themselves carry."""

EXPOSURE_COLUMNS = ("exposure_time_s", "f_number", "iso")  # what every camera writes, and exports drop
CAMERA_COLUMNS = ("camera_make", "camera_model")
CAMERA_FORMATS = ("JPEG", "TIFF", "HEIC")
MAJORITY = 0.5
STAGES = ("originals", "finals")


def tell_stage(frames, brief=None):
    """
    The stage that the brief names, or that most of the files are in.

    A file counts as an original when its metadata tells how it was exposed
    and when, its background was not cut out, and nothing in it says that it
    was derived. A camera whose clock was never set leaves the time blank (Exif
    2.32, 4.6.5, cited from memory: an unknown time is blank); then make and model, a format that
    cameras write and a ground that is not pure white must speak for the
    camera. Everything else counts as a final.

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
    derived = (read["origin"] == "derived") | (read["backdrop"] == "cut_out")
    exposed = read[list(EXPOSURE_COLUMNS)].notna().all(axis=1)
    originals = exposed & ~derived & (read["captured_at"].notna() | _as_cameras_write(read))
    return "originals" if originals.mean() > MAJORITY else "finals"


def _as_cameras_write(frames):
    """Whether a file without a time of capture is otherwise as it comes from a camera."""
    named = frames[list(CAMERA_COLUMNS)].notna().all(axis=1)
    pure_white = frames["background_clipped"].fillna(0.0).astype(float) > MAJORITY  # as retouching leaves it, or paper lit too much
    return named & frames["format"].isin(CAMERA_FORMATS) & ~pure_white
