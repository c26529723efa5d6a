"""Pictures delivered twice: the same bytes or pixels, or the same photograph exported, cropped or mirrored again."""

from itertools import islice

from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.rows import called, counted, finding, listed, sentence, text
from catalogue_audit.findings.rows import number as number_of
from catalogue_audit.statistics.series.numbering import connected

EXACT_KINDS = {"same_bytes": "the same file", "same_pixels": "the same picture, pixel by pixel,"}
NEAR_KINDS = {
    "re_export": "the same picture, exported again,",
    "resized": "the same picture in another size",
    "re_cropped": "the same picture, cropped differently,",
    "mirrored": "the same picture, mirrored,",
    "taken_again": "the same picture under another capture time, with nothing moved,",
    "perhaps_again": "the same picture, or as good as the same,",
}
COPIES = (*EXACT_KINDS, "re_export", "resized")  # files of one frame that show all of it: they share its faults, place by place
DUPLICATES = ("exact_duplicate", "near_duplicate")
OF_ANOTHER_PRODUCT = ("wrong_product", "wrong_detail")
MISFILED = {"wrong_product": "wrong_product", "shifted": "wrong_product", "wrong_detail": "wrong_detail"}  # kind: the check that tells it
CHECKS_OF_A_COPY = ("file_spec", "upscaled", "jpeg_quality", "colour_profile")


def exact_duplicate(evidence):
    """Files that hold the same bytes or the same pixels."""
    yield from _duplicates(evidence, "exact_duplicate", EXACT_KINDS)


def near_duplicate(evidence):
    """
    Files that show the same photograph in another export.

    An exact copy is said once, as exact. A file whose name tells no product is said
    as that: the likeness is how it was found out, and not a second thing to mend.
    Where the name tells the product and no view that was ordered (SKU_5 of four), a
    new name would not help: one of the two is too many. What may be a second frame of one product filed
    under another need not be a copy: its new name mends it, and the first one is as it should be.
    """
    said = {row["file"] for row in exact_duplicate(evidence)}
    said |= {row["file"] for row in evidence.rows if not text(row["sku"])}
    yield from _duplicates(evidence, "near_duplicate", NEAR_KINDS, said, _second_frames_misfiled(evidence))


def _second_frames_misfiled(evidence):
    """Pairs (both ways round) of what may be two frames of one scene, one of which is told as a picture of the other's product."""
    shows = {
        row["file"]: text(row["likely_sku"])
        for row in evidence.misfiled.to_dict("records")
        if row["kind"] in MISFILED and not brief_terms.is_skipped(evidence.brief, MISFILED[row["kind"]])
    }
    sku = {row["file"]: text(row["sku"]) for row in evidence.rows}
    two = evidence.pairs[evidence.pairs["kind"] == "perhaps_again"]
    both = {way for a, b in zip(two["file_a"], two["file_b"], strict=True) for way in ((a, b), (b, a))}
    explained = {(a, b) for a, b in both if shows.get(a) and shows[a] == sku.get(b)}
    return explained | {(b, a) for a, b in explained}


def _duplicates(evidence, check, kinds, said=frozenset(), explained=frozenset()):
    """One finding for each file of each group that pairs of these kinds connect, but for files `said` and pairs `explained` otherwise."""
    pairs = [
        (row["file_a"], row["file_b"], row["kind"])
        for row in evidence.pairs.to_dict("records")
        if row["kind"] in kinds and not {row["file_a"], row["file_b"]} & said and (row["file_a"], row["file_b"]) not in explained
    ]
    order = evidence.file_order
    places = [(order[a], order[b]) for a, b, _ in pairs]
    label = connected(len(order), [a for a, _ in places], [b for _, b in places])
    kind_of, members = {}, {}
    for (a, b), (*_, kind) in zip(places, pairs, strict=True):
        for place in (a, b):
            kind_of.setdefault(place, kind)
            members.setdefault(int(label[place]), set()).add(place)
    rows = evidence.rows
    for group in members.values():
        skus = {text(rows[place]["sku"]) for place in group}
        mend = (
            "find out which product it shows, and ask for the other's own picture"
            if len(skus) > 1
            else "keep one, and ask for the picture that was meant"
        )
        ordered = sorted(group)
        cause = f"one picture in {counted(len(group), 'file')}, {listed([rows[place]['file'] for place in ordered])}"
        for place in ordered:
            same = islice((rows[other]["file"] for other in ordered if other != place), 4)  # a group may hold every file
            note = f"the {called(rows[place])} is {kinds[kind_of[place]]} as {listed(same, of=len(group) - 1)}: {mend}"
            yield finding(check, sentence(note), rows[place], cause=cause)


def explained_by_duplicates(rows, evidence):
    """
    Findings about the file of a copy that another finding already says.

    A re-export of another size or quality differs from the set's majority
    because it is a copy; that is one thing to mend. Where all its copies are of
    the wrong product, it is the file that stays, and is mended. What the user's own brief
    names stays a finding of its own. A fault of the photograph is said of the
    first of its files, and names its other copies: one mend serves all. It is said of each
    file that is a frame or a crop of its own (another mend, other places), and where a change of
    the light or dirt on the sensor caused it, as of all frames it was done to.
    """
    duplicated = {row["file"] for row in rows if row["check"] in DUPLICATES} - _files_that_stay(rows, evidence)
    from_majority = () if brief_terms.file_spec(evidence.brief) else CHECKS_OF_A_COPY
    rows = [row for row in rows if not (row.get("file") in duplicated and row["check"] in from_majority)]
    kept_of = _kept_files(evidence)
    said = {(row.get("file"), row["check"]) for row in rows}
    copies, left = {}, []
    for row in rows:
        kept = kept_of.get(row.get("file"), ""), row["check"]
        if kept in said and row["check"] not in DUPLICATES and not text(row.get("cause")):
            copies.setdefault(kept, []).append(row["file"])
        else:
            left.append(row)
    return [_with_copies(row, copies.get((row.get("file"), row["check"]))) for row in left]


def _files_that_stay(rows, evidence):
    """Files that show their own product, all of whose copies are filed under another that they do not show."""
    wrong = {row.get("file") for row in rows if row["check"] in OF_ANOTHER_PRODUCT}
    pairs = evidence.pairs[evidence.pairs["kind"].isin([*EXACT_KINDS, *NEAR_KINDS])]
    copies = {}
    for a, b in zip(pairs["file_a"], pairs["file_b"], strict=True):
        copies.setdefault(a, set()).add(b)
        copies.setdefault(b, set()).add(a)
    return {file for file, others in copies.items() if file not in wrong and others <= wrong}


def _kept_files(evidence):
    """File of a copy that holds nothing of its own → the first file of its group, an unnumbered picture before a numbered one."""
    order = evidence.file_order
    pairs = evidence.pairs[evidence.pairs["kind"].isin(COPIES)]
    label = connected(len(order), pairs["file_a"].map(order).to_list(), pairs["file_b"].map(order).to_list())
    groups = {}
    for file in dict.fromkeys([*pairs["file_a"], *pairs["file_b"]]):
        groups.setdefault(int(label[order[file]]), []).append(file)
    number = {file: number_of(evidence.rows[order[file]].get("position")) or 1.0 for files in groups.values() for file in files}
    first = {group: min(files, key=lambda one: (number[one], order[one])) for group, files in groups.items()}
    return {file: first[group] for group, files in groups.items() for file in files if file != first[group]}


def _with_copies(row, copies):
    """A finding that says which copies of its file have the same fault."""
    if not copies:
        return row
    its = "its copy" if len(copies) == 1 else "its copies"
    return {**row, "note": f"{row['note']} The same holds for {its} {listed(copies)}."}
