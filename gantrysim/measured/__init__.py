"""What was measured on a machine or a burned piece, read from files into plain data."""
