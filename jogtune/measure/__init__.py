"""Tidy rows to facts."""
