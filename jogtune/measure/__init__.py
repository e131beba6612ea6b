"""From tidy rows to facts with intervals."""
