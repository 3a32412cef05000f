"""Invented machines and the simulator that makes their captures.

A machine runs on an instruction-level model of its processor, with a fault put into one part; an
instrument with its habits (sampling clock, skew, glitches, depth, trigger) writes the capture to files.
Nothing here takes part in a diagnosis: the demo's files go through the same door as a user's.
"""
