"""A dial indicator."""
