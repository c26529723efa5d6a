"""Statistics of what belongs together: duplicates, products, views, originals."""
