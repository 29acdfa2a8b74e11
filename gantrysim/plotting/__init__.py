"""Every picture of the library.

All functions draw into the Axes they are given, or into a new figure, and return the Axes.
They never call ``show`` and never touch matplotlib's global settings.  Paths are drawn with
equal aspect in mm; an error is a hair's width beside a ring, so it is drawn magnified about the
commanded line, and the factor is written on every picture with paths.
Axes of your own should come from a figure with ``layout="constrained"``, which makes room for the
legend below the picture.
"""
