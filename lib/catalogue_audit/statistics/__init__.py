"""Pass two: all sketches and numbers at once."""
