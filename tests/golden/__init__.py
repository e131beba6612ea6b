"""Figures kept from before."""
