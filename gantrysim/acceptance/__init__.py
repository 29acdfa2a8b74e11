"""Does a piece, or a job to come, keep a tolerance."""
