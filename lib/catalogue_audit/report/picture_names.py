"""Where the pictures of a report lie: named by the row of their table, never by the supplier's name."""

FOLDER = "pictures"


def thumb_name(row):
    """File name of the thumbnail of a row of the frames table (counted from 0)."""
    return f"t{row + 1:05d}.jpg"


def evidence_name(row):
    """File name of the evidence picture of a row of the findings table."""
    return f"e{row + 1:05d}.jpg"


def correction_name(row):
    """File name of the before-and-after picture of a row of the corrections table."""
    return f"c{row + 1:05d}.jpg"


def placing_name(row):
    """File name of the picture that shows how a reference stands: by the reference's row of the frames table."""
    return f"o{row + 1:05d}.jpg"


def pair_name(row):
    """File name of the picture of a final beside its original: by the final's row of the frames table."""
    return f"b{row + 1:05d}.jpg"


def chart_name(name):
    """File name of a chart."""
    return f"chart_{name}.svg"
