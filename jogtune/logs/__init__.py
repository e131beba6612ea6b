"""Files to tidy rows."""
