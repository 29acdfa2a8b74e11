"""Parameters, noise, posterior and evidence."""
