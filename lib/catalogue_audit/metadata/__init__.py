"""What a file says about itself: container, Exif, rights, profile."""
