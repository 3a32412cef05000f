"""wrongbit finds the wrong word, bit, lane and chip in a machine that has power but does not start.

The rooms of the house, lowest first; each imports only from those before it:
errors, bits, units, machine, image, capture, bus, instructions, compare, align, faults, diagnose, bringup,
reading, replace, demo, job, cli; `pyproject.toml` holds the order and `make check` keeps it.
Every room's own ``__init__`` says what it is for and what may enter it.
"""

__version__ = "0.1.0"
