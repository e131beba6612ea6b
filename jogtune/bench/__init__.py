"""A dial indicator's readings."""
