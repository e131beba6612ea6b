"""Exercises and what a checker says."""
