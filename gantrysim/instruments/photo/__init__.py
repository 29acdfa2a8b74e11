"""A photograph made flat."""
