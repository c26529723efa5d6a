"""Importing matplotlib so that it writes nothing into a home and takes no settings from the current folder."""

import logging
import os
import sys

CACHE_FOLDER = "matplotlib"  # inside the work folder: the list of fonts, which takes seconds to make


def prepare_plotting(work):
    """
    Import matplotlib with its cache below the work folder, before anything else imports it.

    It reads a file named ``matplotlibrc`` in the current folder first, and that
    folder may be a delivery; so it is imported from the work folder.

    Parameters
    ----------
    work : Path
        Exists, and may be written to.
    """
    if "matplotlib" in sys.modules:
        return
    logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)  # that it makes its list of fonts is no news
    os.environ.setdefault("MPLCONFIGDIR", str(work / CACHE_FOLDER))
    here = os.open(".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.chdir(work)
        import matplotlib  # noqa: F401
    finally:
        os.fchdir(here)
        os.close(here)
