"""More than was asked for: too many pictures of a view, several files that claim one place."""

from catalogue_audit.delivery.names import claims
from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.completeness import delivered_views, product_of
from catalogue_audit.findings.raw_files import raw_companions
from catalogue_audit.findings.rows import called, counted, finding, listed, plain, sentence, text, view_words
from catalogue_audit.statistics.matching.verifying import CROPPED_ROUND


def surplus_views(evidence):
    """More pictures of a view than the brief allows, or several that claim one place: one finding each."""
    delivered = delivered_views(evidence)
    for sku, counts in delivered.items():
        for view, have in counts.items():
            most = brief_terms.most_pictures(evidence.brief, view, text(product_of(evidence, sku).get("style")))
            if most and have > most:
                note = (
                    f"the product {plain(sku)} has {have} {view_words(view)} pictures where at most {most} are wanted: "
                    f"choose which to keep"
                )
                yield finding(
                    "unexpected_file",
                    sentence(note),
                    sku=sku,
                    view=view,
                    value=have,
                    expected=most,
                    unit="pictures",
                    remedy="check",
                )
    frames = {frame["file"]: frame for frame in evidence.rows}
    yield from _framed_twice(evidence, frames)
    along = raw_companions(evidence)
    renditions = _renditions(evidence)
    contended = claims(name for name in evidence.names if name.file not in along).values()
    for files in (group for contending in contended for group in _of_one_product(contending, frames, evidence.products)):
        files = [file for place, file in enumerate(files) if not any((other, file) in renditions for other in files[:place])]
        frame = frames.get(files[-1])
        if frame is not None and len(files) > 1:
            note = (
                f"{counted(len(files), 'file')} claim to be the {called(frame)} ({listed(files)}): number them, or keep one"
            )
            yield finding("unexpected_file", sentence(note), frame)


def _framed_twice(evidence, frames):
    """One finding for each photograph that two files of one view show in two framings, where no name says that one is the newer round."""
    claimed = {file for files in claims(evidence.names).values() for file in files}
    pairs = evidence.pairs[evidence.pairs["kind"] == CROPPED_ROUND]
    for one, other in zip(pairs["file_a"], pairs["file_b"], strict=True):
        if other in frames and not {one, other} <= claimed:
            note = f"2 files show one photograph as the {called(frames[other])}, framed differently ({listed([one, other])}): keep one, or number them"
            yield finding("unexpected_file", sentence(note), frames[other])


def _of_one_product(files, frames, products):
    """The files, product by product: SKUs that differ by case only are several where the products file has them all."""
    skus = [text(frames.get(file, {}).get("sku")) for file in files]
    if products is None or not set(skus) <= set(products["sku"]):
        return [files]
    return [[file for file, own in zip(files, skus, strict=True) if own == sku] for sku in dict.fromkeys(skus)]


def _renditions(evidence):
    """Pairs of files that are one picture in two sizes, formats or folders, both ways round: they share their place, as ordered."""
    pairs = evidence.pairs[evidence.pairs["kind"] == "rendition"]
    one_way = set(zip(pairs["file_a"], pairs["file_b"], strict=True))
    return one_way | {(second, first) for first, second in one_way}
