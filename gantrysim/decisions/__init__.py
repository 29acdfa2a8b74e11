"""Which explanation, which next test, which adjustment."""
