"""What the instrument recorded: levels over time, packed, unknown levels kept as unknown.

`capture` is the value that all others use; `formats` has one module a file format behind one visible
table (CSV, VCD, typed text); `columns` maps an instrument's columns to the machine's signals; `store`
keeps a packed capture as Parquet. Nothing here knows what a bus cycle is.
"""
