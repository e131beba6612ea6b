"""The person."""
