"""Statistics over the deliveries of a season."""
