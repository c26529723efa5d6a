"""Measurements against the brief: what is wrong and what to do."""
