"""Camera raw files that came along with the pictures developed from them."""

from catalogue_audit.delivery.filetypes import kind_by_name
from catalogue_audit.findings.rows import text


def raw_companions(evidence):
    """
    Raw files whose developed picture was delivered too: nothing is missing without them.

    A picture belongs to a raw file that has its name but for the ending, in the same
    folder, or as the same view of the same product (``RAW/BG-104_front.NEF``).

    Returns
    -------
    frozenset of str
    """
    rows = evidence.rows
    raw = [row for row in rows if kind_by_name(row["file"]) == "raw" and row["status"] == "not_measured"]
    if not raw:
        return frozenset()
    developed = {key for row in rows if row["status"] != "not_measured" for key in _keys(row)}
    return frozenset(row["file"] for row in raw if developed.intersection(_keys(row)))


def _keys(row):
    folder, _, base = row["file"].rpartition("/")
    stem = base.rpartition(".")[0].casefold()
    yield folder, stem
    sku, view = text(row["sku"]), text(row["view"])
    if sku and view:
        yield sku, view, text(row["position"]), stem
