"""The command ``gantrysim``: the main road without a line of Python, thin over the public API."""

from gantrysim.command.main import main

__all__ = ["main"]
