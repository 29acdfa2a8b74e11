"""What every part shares: checks of what users hand in, files."""
