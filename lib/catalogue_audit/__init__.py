"""Audit a delivery of product photographs: measure every picture, judge the set."""

__version__ = "0.1.0"
