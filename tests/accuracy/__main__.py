"""
Print how accurate the audit is on deliveries whose truth is known.

    python -m accuracy [--csv FOLDER] [DELIVERY ...]     (from the tests folder)

By default every delivery of ``data_demo`` that has a truth table. A delivery is a name in ``data_demo`` or the path of a
folder with its truth tables in ``truth`` beside it, as ``data_demo/make.py cases`` writes them.
"""

import argparse
import tempfile
from pathlib import Path

import pandas as pd

from accuracy import compare
from accuracy.outlines import mask_overlaps
from catalogue_audit.report.tables import read_tables
from catalogue_audit.runs.review import review

DEMO = Path(__file__).resolve().parents[2] / "data_demo"


def main():
    """Audit, compare, print, and write CSV where asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("deliveries", nargs="*", help="names in data_demo, or folders (default: all of data_demo)")
    parser.add_argument("--csv", type=Path, help="folder to write the tables into")
    parser.add_argument("--out", type=Path, help="folder for the reports; kept, so that a second run is quick")
    options = parser.parse_args()
    names = options.deliveries or known_deliveries()
    with tempfile.TemporaryDirectory() as scratch:
        results = [audited(name, options.out or Path(scratch)) for name in names]
    tables = summary(results)
    with pd.option_context("display.width", 160, "display.max_rows", 200, "display.precision", 4):
        for title, table in tables.items():
            print(f"\n{title}\n{table.to_string(index=False)}")
    if options.csv:
        options.csv.mkdir(parents=True, exist_ok=True)
        for title, table in tables.items():
            table.to_csv(options.csv / f"{title.replace(' ', '_')}.csv", index=False)


def known_deliveries():
    """Names of the deliveries in data_demo that have a truth table."""
    return sorted(path.stem for path in (DEMO / "truth").glob("*.csv") if (DEMO / path.stem).is_dir())


def audited(name, out):
    """(name, report tables, truth, faults, changes, mask overlaps) of one delivery."""
    delivery = DEMO / name if (DEMO / name).is_dir() else Path(name)
    known = delivery.parent / "truth" / delivery.name
    folder = review(delivery, out=out, tables_only=True).folder
    truth = pd.read_csv(f"{known}.csv", dtype={"file": str, "sku": str})
    faults = pd.read_csv(f"{known}_faults.csv", dtype=str)
    changes = pd.read_csv(f"{known}_changes.csv", dtype={"from_file": str, "to_file": str})
    whole = set(truth.loc[truth["shown_view"] != "detail", "file"])
    masks = mask_overlaps(delivery, delivery.parent / "truth" / "masks" / delivery.name, whole)
    return delivery.name, read_tables(folder / "tables"), truth, faults, changes, masks


def summary(results):
    """The printed tables: quantities, coverage, checks, deliveries."""
    errors = pd.concat(
        [compare.quantity_errors(tables["frames"], truth).assign(delivery=name) for name, tables, truth, *_ in results]
    )
    covered = pd.concat([compare.coverage(tables["frames"], truth) for _, tables, truth, *_ in results])
    matched = [compare.match_faults(tables["findings"], faults) for _, tables, _, faults, *_ in results]
    texts = pd.concat([compare.text_agreement(tables["frames"], truth) for _, tables, truth, *_ in results])
    moved = [
        compare.match_changes(tables["changes"], changes, tables["frames"]) for _, tables, _, _, changes, _ in results
    ]
    masks = pd.concat([masks.assign(delivery=name) for name, *_, masks in results])
    deliveries = [
        {
            "delivery": name,
            "pictures": len(tables["frames"]),
            "faults": len(faults),
            "found": int(faults["found"].sum()),
            "due": int(faults["due"].sum()),
            "due_found": int((faults["found"] & faults["due"]).sum()),
            "findings": len(findings),
            "false": int((~findings["due"]).sum()),
        }
        for (name, tables, *_), (faults, findings) in zip(results, matched, strict=True)
    ]
    return {
        "quantities": compare.summarise_errors(errors),
        "coverage": covered.groupby("quantity", sort=False).sum().reset_index(),
        "texts": texts.groupby("column", sort=False).sum().reset_index(),
        "masks": masks.groupby("delivery", sort=False)["iou"].agg(["count", "median", "min"]).reset_index(),
        "columns": compare.every_column(pd.concat([tables["frames"] for _, tables, *_ in results]), errors),
        "checks": compare.summarise_checks(
            pd.concat([faults for faults, _ in matched]), pd.concat([findings for _, findings in matched])
        ),
        "deliveries": pd.DataFrame(deliveries),
        "changes": pd.concat(
            [
                truth[["quantity", "kind", "from_file", "to_file", "found", "from_off", "to_off"]].assign(delivery=name)
                for (name, *_), (truth, _) in zip(results, moved, strict=True)
            ]
        ),
        "false changes": pd.concat(
            [
                changes.loc[~changes["due"], ["quantity", "view", "kind", "from_file", "to_file"]].assign(delivery=name)
                for (name, *_), (_, changes) in zip(results, moved, strict=True)
            ]
        ),
        "false findings": pd.concat(
            [
                findings.loc[~findings["due"], ["file", "check", "value", "expected", "tolerance"]].assign(delivery=name)
                for (name, *_), (_, findings) in zip(results, matched, strict=True)
            ]
        ),
        "missed faults": pd.concat(
            [
                faults.loc[~faults["found"], ["file", "sku", "view", "check", "magnitude", "unit", "due"]].assign(delivery=name)
                for (name, *_), (faults, _) in zip(results, matched, strict=True)
            ]
        ),
    }


if __name__ == "__main__":
    main()
