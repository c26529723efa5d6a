"""
Acceptance sampling by attributes: single sampling plans, switching, risk, and the sample itself.
"""

import bisect
import hashlib
import math
from typing import NamedTuple

from catalogue_audit.statistics.sampling_tables import AQLS, CODE_LETTERS, LETTERS, LEVELS, PLANS, SAMPLE_SIZES

REJECTED_TO_TIGHTEN = 2  # of at most five consecutive lots on normal inspection
LOTS_TO_TIGHTEN = 5
ACCEPTED_TO_RELAX = 5  # consecutive lots on tightened inspection
REJECTED_TO_STOP = 5  # lots in all not accepted on tightened inspection
ACCEPTED_TO_REDUCE = 10  # consecutive lots on normal inspection


class Plan(NamedTuple):
    """
    A single sampling plan for one lot.

    ``n`` items are inspected, the lot is accepted with at most ``accept`` and
    rejected from ``reject`` nonconforming ones on; ``letter`` is the code
    letter of the plan used, ``whole_lot`` says that the sample is the lot.
    """

    letter: str
    n: int
    accept: int
    reject: int
    inspection: str
    whole_lot: bool


class Switching(NamedTuple):
    """Where the switching rules stand: the inspection for the next lot, or ``stopped``, and why."""

    inspection: str
    stopped: bool
    reason: str


def code_letter(lot, level="II"):
    """
    Sample size code letter of Table I.

    Parameters
    ----------
    lot : int
        Number of products, at least 1 (a lot of one is read as the smallest row).
    level : str
        General level I, II, III or special level S-1 to S-4.

    Raises
    ------
    ValueError
        For an empty lot or another level.

    Examples
    --------
    >>> code_letter(60), code_letter(501), code_letter(60, "S-1")
    ('E', 'J', 'B')
    """
    if lot < 1:
        msg = f"a lot holds at least one product, got {lot}"
        raise ValueError(msg)
    if level not in LEVELS:
        msg = f"inspection level must be one of {', '.join(LEVELS)}, got {level!r}"
        raise ValueError(msg)
    row = max((row for row in CODE_LETTERS if row[0] <= max(lot, 2)), key=lambda row: row[0])
    return row[1][LEVELS.index(level)]


def sampling_plan(lot, level="II", aql=2.5, inspection="normal"):
    """
    Single sampling plan for a lot; arrows of the tables are followed.

    Parameters
    ----------
    lot : int
        Number of products.
    level : str
        See `code_letter`.
    aql : float
        Acceptance quality limit, per cent nonconforming; one of `AQLS`.
    inspection : str
        'normal', 'tightened' or 'reduced'.

    Returns
    -------
    Plan
        Where the plan's sample is as large as the lot, all of the lot is inspected.

    Raises
    ------
    ValueError
        For an AQL, level or inspection that the tables do not have.

    References
    ----------
    .. [1] MIL-STD-105E, *Sampling Procedures and Tables for Inspection by
       Attributes* (1989), Tables I, II-A, II-B, II-C.

    Examples
    --------
    >>> sampling_plan(120, aql=1.5)
    Plan(letter='G', n=32, accept=1, reject=2, inspection='normal', whole_lot=False)
    """
    if aql not in AQLS:
        msg = f"AQL must be one of {', '.join(f'{value:g}' for value in AQLS)}, got {aql:g}"
        raise ValueError(msg)
    if inspection not in PLANS:
        msg = f"inspection must be one of {', '.join(PLANS)}, got {inspection!r}"
        raise ValueError(msg)
    letter, cell = _follow_arrows(code_letter(lot, level), aql, inspection)
    n = SAMPLE_SIZES[inspection][LETTERS.index(letter)]
    accept, reject = (int(number) for number in cell.split("/"))
    return Plan(letter, min(n, lot), accept, reject, inspection, n >= lot)


def _follow_arrows(letter, aql, inspection):
    """Letter and Ac/Re of the first plan that the arrows lead to."""
    lines = [line.split() for line in PLANS[inspection].strip().splitlines()]
    place, column = LETTERS.index(letter), AQLS.index(aql)
    while "/" not in lines[place][column]:
        place += 1 if lines[place][column] == "v" else -1
    return LETTERS[place], lines[place][column]


def judge_sample(plan, nonconforming):
    """
    'accept' or 'reject'; on reduced inspection between Ac and Re, 'accept' with a return to normal.

    Returns
    -------
    verdict : str
    back_to_normal : bool

    Examples
    --------
    >>> judge_sample(Plan("F", 8, 0, 2, "reduced", False), 1)
    ('accept', True)
    """
    if nonconforming >= plan.reject:
        return "reject", plan.inspection == "reduced"
    return "accept", nonconforming > plan.accept


def acceptance_probability(lot, nonconforming, n, accept):
    """
    Chance that a lot with so many nonconforming products is accepted (hypergeometric).

    Examples
    --------
    >>> round(acceptance_probability(60, 1, 13, 0), 6)
    0.783333
    """
    ways = sum(math.comb(nonconforming, bad) * math.comb(lot - nonconforming, n - bad) for bad in range(min(accept, n) + 1))
    return ways / math.comb(lot, n)


def quality_at(probability, lot, n, accept):
    """
    Fewest nonconforming products at which the chance of acceptance is no more than ``probability``.

    At 0.1 this is what the sample protects an isolated lot from.

    Examples
    --------
    >>> quality_at(0.1, 60, 13, 0)
    9
    """
    chances = range(lot + 1)
    return min(bisect.bisect_left(chances, -probability, key=lambda bad: -acceptance_probability(lot, bad, n, accept)), lot)


def draw_sample(products, n, seed):
    """
    A random sample of products that anybody can draw again.

    Products are ranked by SHA-256 of the seed and their SKU, so the draw does
    not depend on the order of the list, the machine or the library's version,
    and a product added later leaves the others' ranks as they are.

    Parameters
    ----------
    products : iterable of str
        SKUs; repeated ones count once.
    n : int
    seed : str or int
        Named in the report.

    Returns
    -------
    list of str
        Sorted; all products where there are no more than ``n``.

    Examples
    --------
    >>> draw_sample(["b", "a", "c"], 2, seed=1) == draw_sample(["c", "b", "a"], 2, seed=1)
    True
    """
    ranked = sorted(set(products), key=lambda sku: (hashlib.sha256(f"{seed}\n{sku}".encode("utf-8", "surrogatepass")).digest(), sku))
    return sorted(ranked[: max(n, 0)])


def switch_inspection(results, reduced_wanted=False):
    """
    Inspection for the next lot, by the results of the earlier ones.

    Starts on normal. Normal to tightened when 2 of at most 5 consecutive lots
    were rejected; tightened to normal after 5 consecutive accepted; normal to
    reduced after 10 consecutive accepted where the buyer wants it and
    production is steady; reduced to normal on a rejection or on a count
    between acceptance and rejection number; stopped when 5 lots in all were
    not accepted since tightened inspection began, accepted ones between or not.

    Parameters
    ----------
    results : iterable of str
        'accept', 'reject' or 'accept_back_to_normal' of each lot on original
        inspection, oldest first.
    reduced_wanted : bool
        The standard's further condition on the total of nonconforming items
        (Table VIII) is not tabulated here; say True only where it is met.

    Returns
    -------
    Switching

    References
    ----------
    .. [1] MIL-STD-105E (1989), 4.7.1 to 4.7.4 and 4.8; ISO 2859-1:1999, 9.4, read in a public transcription (the count is cumulative).

    Examples
    --------
    >>> switch_inspection(["accept", "reject", "accept", "reject"]).inspection
    'tightened'
    """
    inspection, reason, here = "normal", "inspection starts on normal", []
    for result in results:
        here.append(result)
        moved = _next_inspection(inspection, here, reduced_wanted)
        if moved == "stopped":
            return Switching("tightened", True, f"{REJECTED_TO_STOP} lots not accepted on tightened inspection")
        if moved:
            inspection, reason = moved
            here = []
    return Switching(inspection, False, reason)


def _next_inspection(inspection, results, reduced_wanted):
    """What the lots since the last switch lead to: (inspection, reason), 'stopped', or None."""
    accepted = [result != "reject" for result in results]
    if inspection == "normal":
        if accepted[-LOTS_TO_TIGHTEN:].count(False) >= REJECTED_TO_TIGHTEN:
            return "tightened", f"{REJECTED_TO_TIGHTEN} of at most {LOTS_TO_TIGHTEN} consecutive lots rejected"
        if reduced_wanted and len(accepted) >= ACCEPTED_TO_REDUCE and all(accepted[-ACCEPTED_TO_REDUCE:]):
            return "reduced", f"{ACCEPTED_TO_REDUCE} consecutive lots accepted"
    elif inspection == "tightened":
        if len(accepted) >= ACCEPTED_TO_RELAX and all(accepted[-ACCEPTED_TO_RELAX:]):
            return "normal", f"{ACCEPTED_TO_RELAX} consecutive lots accepted on tightened inspection"
        if accepted.count(False) >= REJECTED_TO_STOP:
            return "stopped"
    elif results[-1] != "accept":
        return "normal", "a lot on reduced inspection was not plainly accepted"
    return None
