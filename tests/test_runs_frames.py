"""Rows of the frames table from facts and names."""

import pytest
from catalogue_audit.delivery.brief import load_brief
from catalogue_audit.delivery.names import read_names
from catalogue_audit.runs.frames import frame_row


@pytest.mark.parametrize(
    ("file", "target", "kind"),
    [
        ("grey-card.jpg", "grey card", "target"),
        ("AL-1_front.jpg", "grey card", "upright"),
        ("AL-1_front.jpg", "24 patches", "target"),
        ("IMG_0001.jpg", "grey card", "target"),
    ],
)
def test_a_plain_grey_rectangle_named_as_a_product_is_one(file, target, kind):
    others = [f"AL-{number}_{view}.jpg" for number in (1, 2, 3) for view in ("front", "back")]
    (name,) = [name for name in read_names(sorted({file, *others}), load_brief()) if name.file == file]
    row = frame_row(name, {"target": target, "target_de": 1.0, "reasons": ()}, {})
    assert row["view_kind"] == kind
    assert row.get("target") == (target if kind == "target" else None)
