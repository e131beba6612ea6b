"""From figures to a ladder."""
