"""Named changes of a machine."""
