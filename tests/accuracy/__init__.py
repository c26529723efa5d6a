"""Accuracy against deliveries whose truth is known."""
