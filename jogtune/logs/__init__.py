"""Files in, facts out."""
