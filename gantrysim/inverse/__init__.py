"""From measured distortion to fault parameters: residuals, fits and diagnosis."""
