"""The machine file: what is on the board, and nothing that was measured.

`model` is the file's shape, `recipe` how a processor's bus is read, `start_up` what must be right before any
bus is looked at, `names` how signals are spelt. `load` reads the TOML and has `checks` look for what cannot
be; `overview` is what a person reads before trusting it. Nothing here opens a capture or an image; a chip
only names the file it should hold.
"""
