"""Bytes to upright, colour-managed arrays, and the colour mathematics."""
