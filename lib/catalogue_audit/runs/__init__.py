"""Orchestration: review, season and scheduled runs, store and lock."""
