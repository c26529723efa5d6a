"""Turn of the product about the vertical, and the camera's pitch, from the edges it stands on."""


def turn_facts(picture, outline, focal_length_35mm=None):
    """Turn of one picture; not measured yet."""
    return {"reasons": ("turn not measured",)}
