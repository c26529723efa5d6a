"""Pictures delivered twice: the same bytes or pixels, or the same photograph exported, cropped or mirrored again."""

from catalogue_audit.findings.rows import called, finding, listed, sentence, text

EXACT_KINDS = {"same_bytes": "the same file", "same_pixels": "the same picture, pixel by pixel"}
NEAR_KINDS = {
    "re_export": "the same picture, exported again",
    "resize": "the same picture in another size",
    "re_crop": "the same picture, cropped differently",
    "mirrored": "the same picture, mirrored",
    "near": "nearly the same picture",
}


def exact_duplicate(evidence):
    """Files that hold the same bytes or the same pixels."""
    yield from _duplicates(evidence, "exact_duplicate", EXACT_KINDS)


def near_duplicate(evidence):
    """Files that show the same photograph in another export."""
    yield from _duplicates(evidence, "near_duplicate", NEAR_KINDS)


def _duplicates(evidence, check, kinds):
    others = {}
    for row in evidence.pairs.to_dict("records"):
        kind = row["kind"]
        if kind in kinds:
            pair = row["file"], row["other"]
            for file, other in (pair, pair[::-1]):
                others.setdefault(file, []).append((other, kind))
    frames = {frame["file"]: frame for frame in evidence.rows if frame["file"] in others}
    for file in sorted(others):
        frame = frames.get(file)
        if frame is None:
            continue
        same = sorted(dict.fromkeys(other for other, _ in others[file]))
        kind = others[file][0][1]
        products = {text(frame["sku"]), *(text(frames[other]["sku"]) for other in same if other in frames)}
        mend = (
            "find out which product it shows, and ask for the other's own picture"
            if len(products) > 1
            else "keep one, and ask for the picture that was meant"
        )
        note = f"the {called(frame)} is {kinds[kind]} as {listed(same)}: {mend}"
        yield finding(check, sentence(note), frame, cause=None)


def explained_by_duplicates(rows, evidence):
    """
    Findings about the file of a copy that the duplicate finding already says.

    A re-export of another size or quality differs from the set's majority
    because it is a copy; that is one thing to mend. What the user's own brief
    names stays a finding of its own.
    """
    copies = {
        row["file"] for row in rows if row["check"] in ("exact_duplicate", "near_duplicate") and row.get("file")
    }
    return [
        row
        for row in rows
        if not (row["check"] in ("file_spec", "upscaled", "jpeg_quality", "colour_profile") and row.get("file") in copies)
    ]
