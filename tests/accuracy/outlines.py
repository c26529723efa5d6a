"""The product's mask beside its true mask, where the truth has masks."""

from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from catalogue_audit.errors import UnreadablePicture
from catalogue_audit.measures.segmentation.backdrop import fit_backdrop
from catalogue_audit.measures.segmentation.outline import find_outline
from catalogue_audit.metadata.container import read_container
from catalogue_audit.pixels.decode import decode


def mask_overlaps(delivery, masks, files):
    """
    Intersection over union of the found and the true mask of each picture.

    Parameters
    ----------
    delivery : Path
        Folder of pictures.
    masks : Path
        Folder of true masks, ``<stem>.png``, product above mid grey, any size.
    files : collection of str
        Pictures that show a whole product: a detail has no outline.

    Returns
    -------
    DataFrame
        ``file``, ``iou`` (empty where no product was found), ``confidence``.
    """
    rows = []
    for path in sorted(Path(delivery).iterdir()):
        mask = masks / f"{path.stem}.png"
        if path.name not in files or not mask.is_file():
            continue
        truth = cv2.imread(str(mask), cv2.IMREAD_GRAYSCALE)
        try:
            outline = _outline(path.read_bytes())
        except UnreadablePicture:
            continue
        rows.append({"file": path.name, "iou": _overlap(outline.mask, truth), "confidence": outline.confidence})
    return pd.DataFrame(rows, columns=["file", "iou", "confidence"])


def _outline(data):
    picture = decode(data, read_container(data), 1)
    return find_outline(picture, fit_backdrop(picture))


def _overlap(found, truth):
    if found is None or not found.any():
        return np.nan
    known = cv2.resize(truth, found.shape[::-1], interpolation=cv2.INTER_LINEAR) > 127
    return float((found & known).sum() / (found | known).sum())
