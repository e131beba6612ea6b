"""Exercises as data."""
