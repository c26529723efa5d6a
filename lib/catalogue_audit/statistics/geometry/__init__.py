"""Statistics of how products stand and lie in the frame."""
