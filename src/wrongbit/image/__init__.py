"""What a ROM should hold, or was read to hold: contents with every bit known or not known.

`contents` is the value that all others use; `formats` has one module a file format behind one visible
table; `lanes` splits and merges words; `checksums` adds up. No bus, no capture, no fault enters here.
"""
