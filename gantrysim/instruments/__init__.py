"""What is measured, and with what."""
