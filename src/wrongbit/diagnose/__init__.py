"""Where on the board is the fault: paths, suspects, and the next measurement.

`conflicts` and `propagate` reason without probabilities: which parts cannot all be sound. `structure` knows
what each probe point sees of a fault at each part; `observations` weighs suspects by all captures, readings
and hand measurements together; `entropy` and `planning` choose what to measure next. Pure functions; files
are opened in `case` only.
"""
