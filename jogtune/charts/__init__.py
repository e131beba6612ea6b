"""Pictures: `ax` in, `ax` back."""
