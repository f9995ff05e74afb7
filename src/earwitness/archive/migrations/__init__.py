"""How a catalogue gets from any earlier shape to the present one."""

REVISIONS = ("0001", "0002", "0003", "0004", "0005", "0006")
