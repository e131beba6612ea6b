"""The person at the control."""
