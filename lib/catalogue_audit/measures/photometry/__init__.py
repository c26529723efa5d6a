"""Light and background of one picture, and colour targets."""
