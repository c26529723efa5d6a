"""What the surface shows: focus, motion, noise, specks."""
