"""Exact distances."""
