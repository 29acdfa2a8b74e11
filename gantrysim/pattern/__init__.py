"""What is commanded: ring tests and other tool paths."""
