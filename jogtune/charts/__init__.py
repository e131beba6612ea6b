"""Pictures; every function takes `ax` and returns it."""
