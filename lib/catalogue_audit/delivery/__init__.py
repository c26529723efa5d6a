"""What was delivered: files, names, the brief, the products file."""
