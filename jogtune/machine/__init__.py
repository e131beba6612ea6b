"""What a person says of the machine."""
