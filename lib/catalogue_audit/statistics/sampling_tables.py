"""
The tables of acceptance sampling by attributes: code letters and single sampling plans.

The figures are those of MIL-STD-105E (1989, public release), Tables I, II-A,
II-B and II-C, which ISO 2859-1 continues. The columns are the acceptance
quality limits `AQLS`, the letters of Table I those of `LEVELS`.
"""

from catalogue_audit.delivery.brief_sections import AQLS
from catalogue_audit.delivery.brief_sections import INSPECTION_LEVELS as LEVELS

__all__ = ["AQLS", "CODE_LETTERS", "LETTERS", "LEVELS", "PLANS", "SAMPLE_SIZES"]

LETTERS = "ABCDEFGHJKLMNPQR"  # no I, no O

# Table I: first lot size of each row, and the letters of the row at the levels in their order.
CODE_LETTERS = (
    (2, "AAAAAAB"),
    (9, "AAAAABC"),
    (16, "AABBBCD"),
    (26, "ABBCCDE"),
    (51, "BBCCCEF"),
    (91, "BBCDDFG"),
    (151, "BCDEEGH"),
    (281, "BCDEFHJ"),
    (501, "CCEFGJK"),
    (1201, "CDEGHKL"),
    (3201, "CDFGJLM"),
    (10001, "CDFHKMN"),
    (35001, "DEGJLNP"),
    (150001, "DEGJMPQ"),
    (500001, "DEHKNQR"),
)

SAMPLE_SIZES = {
    "normal": (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000),
    "tightened": (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000),
    "reduced": (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800),
}

# Tables II-A, II-B, II-C: Ac/Re, one line a letter, one column an AQL;
# v: use the first plan below, ^: use the first plan above.
PLANS = {
    "normal": """
        v v v v v v v v v 0/1 v
        v v v v v v v v 0/1 ^ v
        v v v v v v v 0/1 ^ v 1/2
        v v v v v v 0/1 ^ v 1/2 2/3
        v v v v v 0/1 ^ v 1/2 2/3 3/4
        v v v v 0/1 ^ v 1/2 2/3 3/4 5/6
        v v v 0/1 ^ v 1/2 2/3 3/4 5/6 7/8
        v v 0/1 ^ v 1/2 2/3 3/4 5/6 7/8 10/11
        v 0/1 ^ v 1/2 2/3 3/4 5/6 7/8 10/11 14/15
        0/1 ^ v 1/2 2/3 3/4 5/6 7/8 10/11 14/15 21/22
        ^ v 1/2 2/3 3/4 5/6 7/8 10/11 14/15 21/22 ^
        v 1/2 2/3 3/4 5/6 7/8 10/11 14/15 21/22 ^ ^
        1/2 2/3 3/4 5/6 7/8 10/11 14/15 21/22 ^ ^ ^
        2/3 3/4 5/6 7/8 10/11 14/15 21/22 ^ ^ ^ ^
        3/4 5/6 7/8 10/11 14/15 21/22 ^ ^ ^ ^ ^
        5/6 7/8 10/11 14/15 21/22 ^ ^ ^ ^ ^ ^""",
    "tightened": """
        v v v v v v v v v v v
        v v v v v v v v v 0/1 v
        v v v v v v v v 0/1 v v
        v v v v v v v 0/1 v v 1/2
        v v v v v v 0/1 v v 1/2 2/3
        v v v v v 0/1 v v 1/2 2/3 3/4
        v v v v 0/1 v v 1/2 2/3 3/4 5/6
        v v v 0/1 v v 1/2 2/3 3/4 5/6 8/9
        v v 0/1 v v 1/2 2/3 3/4 5/6 8/9 12/13
        v 0/1 v v 1/2 2/3 3/4 5/6 8/9 12/13 18/19
        0/1 v v 1/2 2/3 3/4 5/6 8/9 12/13 18/19 ^
        v v 1/2 2/3 3/4 5/6 8/9 12/13 18/19 ^ ^
        v 1/2 2/3 3/4 5/6 8/9 12/13 18/19 ^ ^ ^
        1/2 2/3 3/4 5/6 8/9 12/13 18/19 ^ ^ ^ ^
        2/3 3/4 5/6 8/9 12/13 18/19 ^ ^ ^ ^ ^
        3/4 5/6 8/9 12/13 18/19 ^ ^ ^ ^ ^ ^""",
    "reduced": """
        v v v v v v v 0/1 0/1 0/1 0/2
        v v v v v v v 0/1 0/1 0/1 0/2
        v v v v v v v 0/1 0/1 v 0/2
        v v v v v v 0/1 ^ v 0/2 1/3
        v v v v v 0/1 ^ v 0/2 1/3 1/4
        v v v v 0/1 ^ v 0/2 1/3 1/4 2/5
        v v v 0/1 ^ v 0/2 1/3 1/4 2/5 3/6
        v v 0/1 ^ v 0/2 1/3 1/4 2/5 3/6 5/8
        v 0/1 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10
        0/1 ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13
        ^ v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^
        v 0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^
        0/2 1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^
        1/3 1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^
        1/4 2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^
        2/5 3/6 5/8 7/10 10/13 ^ ^ ^ ^ ^ ^""",
}
