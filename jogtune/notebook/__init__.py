"""Panels; the only user of ipywidgets."""
