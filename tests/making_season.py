"""
An invented season: 24 deliveries drawn from distributions, with habits that are known because they are put in.

Scatter between deliveries, set-ups and pictures is of the size that a careful studio
has (common practice, no source): about a tenth of each tolerance. Names, numbers and
dates are invented.
"""

import datetime
from typing import NamedTuple

import numpy as np
import pandas as pd
from catalogue_audit.pixels.colour import linear_from_lab
from catalogue_audit.runs.season import study_tables
from catalogue_audit.statistics.tables import conform, table_from_rows

VIEWS = ("three_quarter", "front", "back", "detail")
YAW = {"three_quarter": 35.0, "front": 0.0, "back": 0.0, "detail": np.nan}
STYLES = ("tote", "satchel", "hobo")
TOLERANCES = {"angle": 4.0, "fill": 0.05, "tilt": 0.8, "white_balance": 2.0, "tint": 2.0, "focal_length": 0.05, "exposure": 0.15}


class Season(NamedTuple):
    """Frames and findings with the column ``audit``, and a row a delivery."""

    frames: pd.DataFrame
    findings: pd.DataFrame
    deliveries: pd.DataFrame


class Habits(NamedTuple):
    """
    What is put in.

    Offsets are in the habit's unit: ``camera``, ``lens`` and ``weekday`` by (level, quantity); ``trend`` a delivery;
    ``faults`` the chance of a fault in a picture by check, for the first and the last delivery.
    """

    camera: dict = {}
    lens: dict = {}
    weekday: dict = {}
    trend: dict = {}
    odd: dict = {}
    faults: dict = {}


KNOWN = Habits(
    camera={("B-204", "tilt"): 0.6},
    lens={("Zoom 24-105", "fill"): -0.04},
    weekday={("Monday", "white_balance"): 1.6},
    trend={"white_balance": 0.3},
    odd={17: ("exposure", 0.6)},
    faults={"product_specks": (0.30, 0.04), "angle": (0.06, 0.06)},
)


def make_season(habits=KNOWN, deliveries=24, products=6, seed=1):
    """Season of so many deliveries with these habits and nothing else."""
    random = np.random.default_rng(seed)
    frames, findings, rows = [], [], []
    day = datetime.date(2026, 1, 5)
    for number in range(deliveries):
        day += datetime.timedelta(days=int(random.integers(2, 6)))
        while day.weekday() > 4:
            day += datetime.timedelta(days=1)
        made = _delivery(number, day, habits, products, deliveries, random)
        frames.append(made)
        findings.append(_faults(made, number / max(1, deliveries - 1), habits, random))
        rows.append({"audit": number + 1, "delivery": f"drop_{number + 1:02d}", "report": f"{day}_drop_{number + 1:02d}", "audited_at": f"{day}T18:00:00+00:00", "verdict": "accept"})
    return Season(pd.concat(frames, ignore_index=True), pd.concat(findings, ignore_index=True), pd.DataFrame(rows))


def _delivery(number, day, habits, products, deliveries, random):
    own = {name: random.normal(0, 0.08 * tolerance) for name, tolerance in TOLERANCES.items()}
    rows, clock = [], datetime.datetime.combine(day, datetime.time(9, 0))
    lens = "Prime 50" if number < deliveries // 2 else "Zoom 24-105"
    for run in (1, 2):
        camera = "B-204" if (number + run) % 3 == 0 else "A-117"
        setup = {name: random.normal(0, 0.08 * tolerance) for name, tolerance in TOLERANCES.items()}
        for product in range(products // 2):
            style = STYLES[int(random.integers(len(STYLES)))]
            for view in VIEWS:
                clock += datetime.timedelta(seconds=40)
                offsets = {name: own[name] + setup[name] + random.normal(0, 0.12 * tolerance) for name, tolerance in TOLERANCES.items()}
                _add_habits(offsets, habits, number, camera, lens, day)
                rows.append(_frame(f"D{number + 1:02d}-{run}{product}_{view}.jpg", view, style, run, camera, lens, clock, offsets))
        clock += datetime.timedelta(hours=2)
    return conform("frames", table_from_rows("frames", rows)).assign(audit=number + 1)


def _add_habits(offsets, habits, number, camera, lens, day):
    weekday = day.strftime("%A")
    for level, table in ((camera, habits.camera), (lens, habits.lens), (weekday, habits.weekday)):
        for (name, quantity), size in table.items():
            offsets[quantity] += size if name == level else 0.0
    for quantity, slope in habits.trend.items():
        offsets[quantity] += slope * number
    if number in habits.odd:
        quantity, size = habits.odd[number]
        offsets[quantity] += size


def _frame(file, view, style, run, camera, lens, clock, offsets):
    crop = view == "detail"
    white = linear_from_lab(np.array([76.0, offsets["tint"], 3.0 + offsets["white_balance"]]))
    background = 0.8 * 2 ** offsets["exposure"] * white / white[1]
    fill = 0.8 * (1 + offsets["fill"])
    return {
        "file": file, "sku": file[:6], "view": view, "view_kind": "crop" if crop else "upright", "style": style, "status": "measured",
        "captured_at": clock.isoformat(), "camera_serial": camera, "camera_model": "Model", "lens_model": lens,
        "focal_length_35mm": 70.0 * (1 + 0.2 * offsets["focal_length"]), "capture_run": run,
        "fill_height": None if crop else fill, "fill_width": None if crop else fill * 0.7, "fill_area": None if crop else 0.6 * fill**2,
        "centre_dx": 0.0, "centre_dy": 0.02, "baseline": 0.9, "roll_deg": None if crop else offsets["tilt"],
        "yaw_deg": None if crop else YAW[view] + offsets["angle"], "white_red": white[0] / white[1], "white_blue": white[2] / white[1],
        "background_red": background[0], "background_green": background[1], "background_blue": background[2], "background_clipped": 0.0,
        "background_L": 91.0, "background_a": 0.0, "background_b": 1.0,
    }  # fmt: skip


def _faults(frames, place, habits, random):
    rows = []
    for check, (first, last) in habits.faults.items():
        chance = first + (last - first) * place
        remedy = "reshoot" if check == "angle" else "retouch"
        for row in frames[random.random(len(frames)) < chance].to_dict("records"):
            rows.append({"file": row["file"], "sku": row["sku"], "view": row["view"], "check": check, "severity": "major", "remedy": remedy, "value": 1.0})
    return conform("findings", table_from_rows("findings", rows)).assign(audit=frames["audit"].iloc[0])


def study_of(season):
    """The study of an invented season, as the command makes it."""
    audits = {row["audit"]: row for row in season.deliveries.to_dict("records")}
    return study_tables(season.frames, season.findings, audits)


if __name__ == "__main__":  # writes the demo season: python tests/making_season.py data_demo/season
    import sys

    from catalogue_audit.report.season_tables import write_season_data

    study = study_of(make_season())
    study.summary.update(audited_at="2026-05-04T18:00:00+00:00")
    write_season_data(study, sys.argv[1])
