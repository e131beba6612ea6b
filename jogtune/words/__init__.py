"""The only room with sentences."""
