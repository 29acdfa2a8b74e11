"""How much a file may hold that is read, or a pattern; what is larger is refused at once.

Each bound lies far above honest work, and low enough that the worst file within it is read or
refused within some five seconds and a gigabyte, a picture within a minute and two.  A file beyond
it is a slip, or was made to do harm.
"""

from __future__ import annotations

MEGABYTE = 1_000_000
#: Bytes of a test, a machine or the names of features: a thousand rings in any order take half.
SETTINGS_BYTES = 2 * MEGABYTE
#: Bytes of a table of measured points: `TABLE_ROWS` of long numbers.
TABLE_BYTES = 200 * MEGABYTE
#: Bytes of a customer's drawing or program.
DRAWING_BYTES = 20 * MEGABYTE
#: Bytes of a kept finding: 1.5 million points.
FINDING_BYTES = 100 * MEGABYTE
#: Bytes of the log of a machine: some forty burns, each scanned with eighty thousand points.
LOG_BYTES = 200 * MEGABYTE
#: Bytes of a picture: `PIXELS` in colour, not packed.
PICTURE_BYTES = 550 * MEGABYTE

#: Rows of a table of measured points: a thousand points on each of five hundred lines.
TABLE_ROWS = 500_000
#: Rows of a table of readings by hand: an empty form of a thousand rings has half.
HAND_ROWS = 20_000
#: Characters of a line in a table.
TABLE_LINE = 10_000
#: Tables and lists inside each other, in JSON and TOML: a log has twelve.
DEPTH = 64
#: Names with dots between them in one key of TOML: a machine file has two.
KEY_PARTS = 16

#: Elements, transforms, path commands and chords of a drawing, all together.
DRAWING_PARTS = 300_000
#: Closed outlines of a part, each pass counted: what each lies in is asked of all the others.
#: Fifteen times a large part; a drawing that has more holds a pattern.
OUTLINES = 3_000
#: Groups of a drawing inside each other.
GROUPS = 100
#: Chords of one curve.
CHORDS = 20_000
#: Lines of a program.
PROGRAM_LINES = 300_000

#: Points of a pattern, all strokes together: more is a slip in the step.
POINTS = 20_000_000

#: Pixels of a picture: an A4 page at 1200 dpi has 139 million.
PIXELS = 178_000_000
#: mm^2 that a scan shows: the whole bed of the usual machine; an A3 page has 125 000.  Lines are
#: looked for on a grid in mm, so that time and memory go by this, whatever the pixels.
SCAN_AREA = 180_000.0
#: mm of the longer side of a scan.
SCAN_SIDE = 1000.0
