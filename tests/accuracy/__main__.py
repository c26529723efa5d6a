"""
Print how accurate the audit is on deliveries whose truth is known.

    python -m accuracy [--csv FOLDER] [DELIVERY ...]     (from the tests folder)

By default every delivery of ``data_demo`` that has a truth table. A delivery is a name in ``data_demo`` or the path of a
folder with its truth tables in ``truth`` beside it, as ``data_demo/make.py cases`` and ``sampled`` write them. Finals whose
camera originals lie beside them (``delivery`` beside ``finals``, ``X_originals`` beside ``X_finals``) are audited
once alone and once with their originals.
"""

import argparse
import json
import tempfile
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from accuracy import compare, quantities
from accuracy.outlines import mask_overlaps
from catalogue_audit.report.tables import read_tables
from catalogue_audit.runs.review import review

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
PAIRED = " with originals"
INHERITED = ("focal_length_mm",)  # changes of the originals that their finals show, once they are paired


class Audited(NamedTuple):
    """
    One delivery after its audit, beside what is true of it.

    ``tables`` are the report's; ``truth``, ``faults`` and ``changes`` the truth's; ``masks`` the overlaps of outlines;
    ``stage`` what the audit took the delivery for; ``originals`` the truth of the originals, where they were given.
    """

    name: str
    tables: dict
    truth: pd.DataFrame
    faults: pd.DataFrame
    changes: pd.DataFrame
    masks: pd.DataFrame
    stage: str
    originals: pd.DataFrame | None


def main():
    """Audit, compare, print, and write CSV where asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("deliveries", nargs="*", help="names in data_demo, or folders (default: all of data_demo)")
    parser.add_argument("--csv", type=Path, help="folder to write the tables into")
    parser.add_argument("--out", type=Path, help="folder for the reports; kept, so that a second run is quick")
    options = parser.parse_args()
    names = options.deliveries or known_deliveries()
    with tempfile.TemporaryDirectory() as scratch:
        results = [audited(name, options.out or Path(scratch)) for given in names for name in runs_of(given)]
    tables = summary(results)
    with pd.option_context("display.width", 200, "display.max_rows", 400, "display.max_colwidth", 70, "display.precision", 4):
        for title, table in tables.items():
            print(f"\n{title}\n{table.to_string(index=False)}")
    if options.csv:
        options.csv.mkdir(parents=True, exist_ok=True)
        for title, table in tables.items():
            table.to_csv(options.csv / f"{title.replace(' ', '_')}.csv", index=False)


def known_deliveries():
    """Names of the deliveries in data_demo that have a truth table."""
    return sorted(path.stem for path in (DEMO / "truth").glob("*.csv") if (DEMO / path.stem).is_dir())


def runs_of(name):
    """A delivery's runs: by itself and, where its originals lie beside it, with them."""
    return [name] if originals_of(_folder(name)) is None else [name, f"{name}{PAIRED}"]


def originals_of(delivery):
    """The folder of camera originals beside a folder of finals, by their names; None where there is none."""
    beside = {DEMO / "finals": DEMO / "delivery"}.get(delivery)
    if delivery.name.endswith("_finals"):
        beside = delivery.with_name(f"{delivery.name.removesuffix('finals')}originals")
    return beside if beside is not None and beside.is_dir() else None


def audited(name, out):
    """Audit one delivery (its name may end in `PAIRED`) into the folder ``out``; `Audited`."""
    delivery = _folder(name.removesuffix(PAIRED))
    originals = originals_of(delivery) if name.endswith(PAIRED) else None
    known = delivery.parent / "truth" / delivery.name
    folder = review(delivery, out=out, tables_only=True, originals=originals).folder
    truth = _truth(known)
    faults = pd.read_csv(f"{known}_faults.csv", dtype=str)
    changes = _changes(known)
    whole = set(truth.loc[truth["shown_view"] != "detail", "file"]) if originals is None else set()
    masks = mask_overlaps(delivery, delivery.parent / "truth" / "masks" / delivery.name, whole)
    stage = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["stage"]
    taken = None
    if originals is not None:
        shot = originals.parent / "truth" / originals.name
        taken, theirs = _truth(shot), _changes(shot)  # finals and originals bear the same names
        changes = pd.concat([changes, theirs[theirs["quantity"].isin(INHERITED)]], ignore_index=True)
    label = delivery.name + (PAIRED if originals is not None else "")
    return Audited(label, read_tables(folder / "tables"), truth, faults, changes, masks, stage, taken)


def summary(results):
    """The printed tables: quantities, uncertainties, coverage, pairs, checks, magnitudes, deliveries, changes, and what was false or missed."""
    errors = pd.concat([quantities.quantity_errors(one.tables["frames"], one.truth).assign(delivery=one.name) for one in results])
    pairs, placed = _pairs(results)
    both = pd.concat([errors, placed])
    covered = pd.concat([quantities.coverage(one.tables["frames"], one.truth) for one in results])
    texts = pd.concat([quantities.text_agreement(one.tables["frames"], one.truth) for one in results])
    matched = [_matched(one) for one in results]
    moved = [compare.match_changes(one.tables["changes"], one.changes, one.tables["frames"]) for one in results]
    masks = pd.concat([one.masks.assign(delivery=one.name) for one in results])
    every_fault, every_finding = (pd.concat([pair[k].assign(delivery=one.name) for one, pair in zip(results, matched, strict=True)]) for k in (0, 1))
    every_change, every_reported = (pd.concat([pair[k].assign(delivery=one.name) for one, pair in zip(results, moved, strict=True)]) for k in (0, 1))
    return {
        "quantities": quantities.summarise_errors(both),
        "uncertainties": quantities.summarise_uncertainty(both),
        "coverage": covered.groupby("quantity", sort=False).sum().reset_index(),
        "texts": texts.groupby("column", sort=False).sum().reset_index(),
        "masks": masks.groupby("delivery", sort=False)["iou"].agg(["count", "median", "min"]).reset_index(),
        "pairs": pairs,
        "columns": quantities.every_column(pd.concat([one.tables["frames"] for one in results]), both),
        "checks": compare.summarise_checks(every_fault, every_finding),
        "magnitudes": compare.summarise_magnitudes(every_fault),
        "deliveries": pd.DataFrame([_counts(one, *pair) for one, pair in zip(results, matched, strict=True)]),
        "changes": every_change[["quantity", "kind", "from_file", "to_file", "found", "from_off", "to_off", "delivery"]],
        "false changes": every_reported.loc[~every_reported["due"], ["quantity", "view", "kind", "from_file", "to_file", "delivery"]],
        "false findings": every_finding.loc[~every_finding["due"], ["file", "check", "value", "expected", "tolerance", "delivery"]],
        "findings that follow": every_finding.loc[every_finding["because"] != "", ["file", "check", "because", "delivery"]],
        "missed faults": every_fault.loc[~every_fault["found"], ["file", "sku", "view", "check", "magnitude", "unit", "due", "delivery"]],
    }


def _folder(name):
    return DEMO / name if (DEMO / name).is_dir() else Path(name)


def _truth(known):
    return pd.read_csv(f"{known}.csv", dtype={"file": str, "sku": str})


def _changes(known):
    return pd.read_csv(f"{known}_changes.csv", dtype={"from_file": str, "to_file": str})


def _matched(one):
    frames = one.tables["frames"]
    paired = set(frames.loc[frames["original_file"].notna(), "file"])
    return compare.match_faults(one.tables["findings"], one.faults, one.truth, one.stage, paired)


def _pairs(results):
    """The pairs table, and the errors of turn and scale of finals laid over their originals."""
    told = [one for one in results if one.originals is not None and "photograph" in one.truth and "photograph" in one.originals]
    found = [quantities.pair_errors(one.tables["frames"], one.truth, one.originals) for one in told]
    pairs = [pairs.assign(delivery=one.name) for one, (pairs, _) in zip(told, found, strict=True)]
    errors = [errors.assign(delivery=one.name) for one, (_, errors) in zip(told, found, strict=True)]
    return (pd.concat(pairs), pd.concat(errors)) if told else (pd.DataFrame(), pd.DataFrame())


def _counts(one, faults, findings):
    return {
        "delivery": one.name,
        "pictures": len(one.tables["frames"]),
        "faults": len(faults),
        "found": int(faults["found"].sum()),
        "due": int(faults["due"].sum()),
        "due_found": int((faults["found"] & faults["due"]).sum()),
        "findings": len(findings),
        "follow": int((findings["because"] != "").sum()),
        "false": int((~findings["due"]).sum()),
    }


if __name__ == "__main__":
    main()
