"""The invented studio: products, light, camera, and the faults of a delivery."""
