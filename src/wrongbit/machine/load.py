"""Load a machine file."""

from __future__ import annotations

from wrongbit.machine.model import default_address_lines

__all__ = ["default_address_lines"]
