"""From files to tidy rows."""
