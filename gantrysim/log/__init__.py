"""The record of one machine: what was burned, found, turned and accepted."""

from gantrysim.log.machinelog import MachineLog, new_log, open_log

__all__ = ["MachineLog", "new_log", "open_log"]
