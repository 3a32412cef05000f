"""Every cycle beside what should have been there: agrees, differs, or not known.

`memory_map` answers "which chip, which of its words, which bits" for any address; `verdicts` judges cycles
against ROM contents and against what was last written to RAM; `summary` counts and finds the first wrong
word. Nothing here guesses at a fault.
"""
