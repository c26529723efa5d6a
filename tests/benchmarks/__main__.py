"""
Print what an audit costs, against decoding the same files and against a plain script, in one run.

    python -m benchmarks [--web SMALL LARGE] [--large SMALL LARGE] [--grow COUNT ...] [--scratch DIR]     (from the tests folder)

Processor time is user and system time of the command and all its descendants. A cost per file is the
slope between two folder sizes, so that what an audit costs however many files it has drops out.
"""

import argparse
import shutil
import tempfile
from pathlib import Path

import pandas as pd

from benchmarks.cost import audit_command, cost_of, decoding_s, plain_script_s, stages_ms
from benchmarks.folders import LARGE, SMALL, WEB, fill_folder

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "clean"
STAGE_FILES = 4


def main():
    """Make folders, run, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--web", nargs=2, type=int, default=(16, 64), metavar=("SMALL", "LARGE"), help="files of 2.4 megapixels")
    parser.add_argument("--large", nargs=2, type=int, default=(4, 12), metavar=("SMALL", "LARGE"), help="files of 24 megapixels")
    parser.add_argument("--grow", nargs="*", type=int, default=(), metavar="COUNT", help="folders of so many small files")
    parser.add_argument("--scratch", type=Path, help="folder for the pictures; kept, so that a second run is quick")
    options = parser.parse_args()
    sources = sorted(DEMO.glob("*.jpg"))
    with tempfile.TemporaryDirectory() as temporary:
        scratch = options.scratch or Path(temporary)
        costs = []
        for kind, size, counts in (("2.4 MP", WEB, options.web), ("24 MP", LARGE, options.large)):
            folders = [scratch / f"{kind.split()[0]}_{count}" for count in counts]
            files = [fill_folder(folder, sources, size, count) for folder, count in zip(folders, counts, strict=True)]
            costs.append({"pictures": kind, **per_file(folders, files, size, scratch / "reports")})
            show(f"pass one, CPU ms a file, {kind}", pd.DataFrame(stages_ms(files[0][:STAGE_FILES]), columns=["step", "ms"]))
        show("cost a file (CPU ms), slope between two folder sizes, one worker", pd.DataFrame(costs).set_index("pictures").T.reset_index())
        if options.grow:
            show("growth, 0.2 MP", growth(sorted(options.grow), sources, scratch))


def per_file(folders, files, size, out):
    """Figures of one kind of pictures: audit, decoding and plain script a file; memory; two workers against one."""
    small, large = (fresh(folder, out, 1) for folder in folders)
    pair = fresh(folders[1], out, 2)
    more = len(files[1]) - len(files[0])
    audit = (large.cpu_s - small.cpu_s) / more
    decoding = decoding_s(files[1]) / len(files[1])
    plain = plain_script_s(files[1]) / len(files[1])
    return {
        "files": f"{len(files[0])}, {len(files[1])}",
        "decoding alone (simplejpeg, ms)": round(1000 * decoding, 1),
        "audit, tables only (ms)": round(1000 * audit, 1),
        "audit / decoding": round(audit / decoding, 2),
        "plain script (ms)": round(1000 * plain, 1),
        "plain script / audit": round(plain / audit, 2),
        "fixed cost of an audit (s)": round(small.cpu_s - audit * len(files[0]), 2),
        "pictures a CPU second": round(1 / audit, 1),
        "megapixels a CPU second": round(size[0] * size[1] / 1e6 / audit, 1),
        "decoding alone, megapixels a CPU second": round(size[0] * size[1] / 1e6 / decoding, 1),
        "pictures a second, 1 worker": round(len(files[1]) / large.wall_s, 1),
        "pictures a second, 2 workers": round(len(files[1]) / pair.wall_s, 1),
        "2 workers against 1, wall": round(large.wall_s / pair.wall_s, 2),
        "2 workers against 1, CPU": round(pair.cpu_s / large.cpu_s, 2),
        "peak of a worker (MB)": round(max(large.worker_mb, pair.worker_mb)),
        "peak of the parent (MB)": round(large.parent_mb),
    }


def growth(counts, sources, scratch):
    """CPU and memory of audits of more and more small files, and the slope from each to the next."""
    rows = []
    for count in counts:
        folder = scratch / f"small_{count}"
        fill_folder(folder, sources, SMALL, count)
        cost = fresh(folder, scratch / "reports", 1)
        before = rows[-1] if rows else None
        slope = 1000 * (cost.cpu_s - before["CPU (s)"]) / (count - before["files"]) if before else float("nan")
        rows.append({"files": count, "CPU (s)": cost.cpu_s, "ms a further file": slope, "parent (MB)": cost.parent_mb})
    return pd.DataFrame(rows)


def fresh(folder, out, jobs):
    """Cost of an audit that finds nothing kept from an earlier one."""
    shutil.rmtree(out, ignore_errors=True)
    return cost_of(audit_command(folder, out, jobs))


def show(title, table):
    """Print one table under its title."""
    print(f"\n{title}\n{table.to_string(index=False, float_format='{:.2f}'.format)}", flush=True)


if __name__ == "__main__":
    main()
