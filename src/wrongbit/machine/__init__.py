"""The machine file: what is on the board, and nothing that was measured.

`model` is the file's shape, `recipe` how a processor's bus is read, `names` how signals are spelt,
`load` reads the TOML. Nothing here opens a capture or an image; a chip only names the file it should hold.
"""
