"""Statistics of focus and of what lies on product and sensor."""
