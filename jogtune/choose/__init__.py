"""Figures to a ladder."""
