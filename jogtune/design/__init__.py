"""Numbers in, ladders out."""
