"""What holds whatever is drawn."""
