"""Results as a page for people: one HTML file that needs nothing beside it."""

from gantrysim.report.writing import Judged, write_report

__all__ = ["Judged", "write_report"]
