"""Files of other trades: SVG and plain RS-274 motion code."""

from gantrysim.formats.motioncode import write_motion_code
from gantrysim.formats.motionreader import read_motion_code
from gantrysim.formats.svgreader import read_svg

__all__ = ["read_motion_code", "read_svg", "write_motion_code"]
