"""An invented machine with a rung of every kind."""

from __future__ import annotations

from wrongbit.machine.load import read_machine
from wrongbit.machine.model import Machine

TEXT = """
[machine]
name = "Invented"
[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "6502"
[[rail]]
name = "VCC"
voltage = "5 V ± 5 %"
ripple = "at most 50 mV"
test_point = "U1 pin 8"
[[rail]]
name = "VEE"
voltage = "-12 V ± 5 %"
[[input]]
name = "/MARK"
signal = "PULSE"
period = "10 ms ± 10 %"
low = "50 us ± 20 %"
comes_from = "mains monitor"
waits = "the start-up routine"
[[clock]]
name = "PHI0"
frequency = "1 MHz ± 1 %"
duty = "40 % .. 60 %"
jitter = "at most 20 ns"
[[input]]
name = "/RESET"
kind = "reset"
low = "at least 100 ms"
family = "cmos5"
"""


def machine() -> Machine:
    return read_machine(TEXT)
