"""Faults of a season: which recur, what they cost in pictures to make again, and whether they become fewer."""

import math

import numpy as np
import pandas as pd

from catalogue_audit.schema import CHECKS, SEVERITIES
from catalogue_audit.statistics.intervals import clumping, holm, wilson
from catalogue_audit.statistics.series.trend import mann_kendall, theil_sen

ANY = "any"  # row of all checks together that need action
AGAIN = ("reshoot", "supply")  # remedies that cost a picture
RECURRING_DELIVERIES = 3
RECURRING_SHARE = 0.2  # of the deliveries
CERTAIN = 0.05
FEWEST_FOR_TREND = 6  # deliveries; Mann-Kendall's normal score is poor below
FAULT_COLUMNS = (
    "check", "severity", "remedy", "deliveries", "deliveries_affected", "pictures", "affected", "rate", "rate_low", "rate_high",
    "again", "again_rate", "again_low", "again_high", "recurring", "trend", "trend_low", "trend_high", "trend_p", "direction",
)  # fmt: skip


def season_faults(frames, findings, order):
    """
    Faults by check, and all together.

    Parameters
    ----------
    frames, findings : DataFrame
        Of all deliveries, with the column ``audit``; findings accepted by a decision left out.
    order : dict of int to int
        Audit number to place in the season.

    Returns
    -------
    DataFrame
        Columns `FAULT_COLUMNS`; first the row `ANY` (pictures with a critical or major
        finding), then a row a check, most affected first. ``rate`` is the share of pictures affected (a
        missing picture counts as one), with Wilson's interval, widened where faults come in
        clumps; ``again`` counts pictures to photograph or supply again, each once; ``trend`` is the change of the
        rate a delivery (Theil-Sen), ``direction`` 'fewer', 'more', or '' where nothing is certain.
    """
    audits = sorted(order, key=order.get)
    pictures = frames.groupby("audit").size().reindex(audits, fill_value=0)
    cases = _cases(findings)
    action = cases[cases["severity"].isin(SEVERITIES[:2])]
    rows = [_fault_row(ANY, action, pictures)]
    rows += [_fault_row(check, cases[cases["check"] == check], pictures) for check in sorted(cases["check"].unique())]
    table = pd.DataFrame(rows, columns=list(FAULT_COLUMNS))
    others = (table["check"] != ANY) & table["recurring"]
    table.loc[others, "trend_p"] = holm(table.loc[others, "trend_p"])
    table.loc[~others & (table["check"] != ANY), "trend_p"] = math.nan
    certain = table["trend_p"] < CERTAIN
    table["direction"] = np.where(certain & (table["trend"] < 0), "fewer", np.where(certain & (table["trend"] > 0), "more", ""))
    return table.sort_values(["check"], key=lambda column: column != ANY, kind="stable").pipe(_most_first)


def _most_first(table):
    rank = [(-1, 0.0, "") if row.check == ANY else (0, -row.affected, row.check) for row in table.itertuples()]
    return table.iloc[sorted(range(len(table)), key=rank.__getitem__)].reset_index(drop=True)


def delivery_faults(frames, findings):
    """
    Share of pictures that need action, delivery by delivery.

    Returns
    -------
    DataFrame
        Index: audit number. ``pictures``, ``faulty``, ``faulty_rate``, ``faulty_low``, ``faulty_high``, ``again``.
    """
    cases = _cases(findings)
    action = cases[cases["severity"].isin(SEVERITIES[:2])]
    pictures = frames.groupby("audit").size()
    rows = {}
    for audit, number in pictures.items():
        mine = action[action["audit"] == audit]
        faulty = mine["case"].nunique()
        total = number + mine.loc[mine["absent"], "case"].nunique()
        rate, low, high = wilson(faulty, total)
        again = mine.loc[mine["remedy"].isin(AGAIN), "case"].nunique()
        rows[audit] = (int(total), faulty, rate, low, high, again)
    return pd.DataFrame.from_dict(rows, orient="index", columns=["pictures", "faulty", "faulty_rate", "faulty_low", "faulty_high", "again"])


def _cases(findings):
    """Findings of single pictures, present or missing; a finding about a whole delivery is no picture."""
    file, sku, view = (findings[name].fillna("") for name in ("file", "sku", "view"))
    absent = (file == "") & (findings["check"] == "missing_view")
    case = file.where(file != "", "\n" + sku + "\n" + view)
    return findings.assign(case=case, absent=absent)[(file != "") | absent]


def _fault_row(check, cases, pictures):
    missing = cases[cases["absent"]].groupby("audit")["case"].nunique().reindex(pictures.index, fill_value=0)
    number = (pictures + missing).to_numpy(dtype=float)
    affected = _counted(cases, pictures.index)
    again = _counted(cases[cases["remedy"].isin(AGAIN) & cases["severity"].isin(SEVERITIES[:2])], pictures.index)
    judged = number > 0
    rates = affected[judged] / number[judged]
    slope, _, low, high = theil_sen(rates) if rates.size >= FEWEST_FOR_TREND else (math.nan,) * 4
    hit = int((affected > 0).sum())
    known = CHECKS.get(check)
    severities = [severity for severity in SEVERITIES if (cases["severity"] == severity).any()]
    remedies = cases["remedy"].value_counts()
    return (
        check, severities[0] if severities else known.severity if known else "", "" if check == ANY or remedies.empty else remedies.index[0],
        int(judged.sum()), hit, int(number.sum()), int(affected.sum()), *wilson(affected.sum(), number.sum(), design_effect=clumping(affected, number)),
        int(again.sum()), *wilson(again.sum(), number.sum(), design_effect=clumping(again, number)),
        hit >= RECURRING_DELIVERIES and hit >= RECURRING_SHARE * judged.sum(),
        slope, low, high, mann_kendall(rates).p if rates.size >= FEWEST_FOR_TREND else math.nan, "",
    )  # fmt: skip


def _counted(cases, audits):
    return cases.groupby("audit")["case"].nunique().reindex(audits, fill_value=0).to_numpy(dtype=float)
