"""Every cycle beside what should have been there: agrees, differs, or not known.

`memory_map` answers "which chip, which of its words, which bits" for any address, and `build` makes it from a
machine file with its references; `judge` compares cycles with ROM contents and with what was last written to
RAM; `verdicts` is what it finds; `summary` counts and finds the first wrong word. Nothing here guesses at a
fault.
"""
