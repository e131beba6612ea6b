"""Panels and the on-screen knob; the only user of ipywidgets."""
