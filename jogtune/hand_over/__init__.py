"""Files for elsewhere: firmware, paper, page."""
