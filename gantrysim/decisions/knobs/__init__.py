"""The points of adjustment of a gantry: where each stands, and what turning it does.

A knob acts on any machine, also on one that does not have the fault for which it is turned: the
nuts of a plate that was not tight come loose when they are turned back.  Amounts are signed and
in the unit of the knob.
"""
