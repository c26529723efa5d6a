"""Strap: long thin parts about the body."""


def strap_facts(picture, outline):
    """Evidence for a strap in one picture; not measured yet."""
    return {"reasons": ("strap not measured",)}
