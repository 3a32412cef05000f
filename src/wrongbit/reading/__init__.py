"""A chip out of the board and in a reader: several passes of it, what is wrong with it, what it held.

`readings` loads passes with their `conditions`; `stack` lays them over each other and counts; `stability`
tells which bits waver and how often, `array` where in the chip's own array; `pattern` weighs the faults
behind wrong bits, those of `wrongbit.faults` and those that only a reader shows (`models`, `loose`,
`dependence`); `structure` looks at contents that nothing is known about; `rebuild` and `solve` make contents
from all sources. Files are opened by `readings`, `conditions` and `figure` alone; no capture and no terminal
here.
"""
