"""Tests as burned patterns: shapes, rings, passes, tool paths, the test file."""

from gantrysim.pattern.beside import ScaleReference
from gantrysim.pattern.ringtest import Line, Nest, RingTest, read_test, ring_test
from gantrysim.pattern.toolpath import Move, Toolpath

__all__ = [
    "Line",
    "Move",
    "Nest",
    "RingTest",
    "ScaleReference",
    "Toolpath",
    "read_test",
    "ring_test",
]
