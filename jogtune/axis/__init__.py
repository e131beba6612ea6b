"""What an axis makes of turning."""
