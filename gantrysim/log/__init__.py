"""The history of one machine in one file."""
