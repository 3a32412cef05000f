"""wrongbit finds the wrong word, bit, lane and chip in a machine that has power but does not start.

The rooms of the house, lowest first; each imports only from those before it:
errors, units, machine, image, capture, bus, compare, faults, demo, cli.
Every room's own ``__init__`` says what it is for and what may enter it.
"""

__version__ = "0.1.0"
