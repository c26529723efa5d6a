"""Statistics of light and colour."""
