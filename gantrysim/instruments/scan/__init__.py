"""A flatbed scan, or a photograph made flat, into measured points."""
