"""What the audit costs beside decoding alone; no test, a table to read."""
