"""Handles: how far the rear one stands above the front one."""


def handles_facts(picture, outline, focal_length_35mm=None):
    """Handle gap of one picture; not measured yet."""
    return {"reasons": ("handle gap not measured",)}
