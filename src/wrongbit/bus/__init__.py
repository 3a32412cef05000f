"""From samples to bus cycles.

`cycles` is the table that all later rooms use, `recipes` holds the built-in recipes with their data-sheet
sources, `rebuild` turns samples into cycles in one pass with carried state. Nothing here knows what a
memory should hold.
"""
