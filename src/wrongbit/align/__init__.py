"""What lines up with what: a capture without addresses with the reference, probe leads with the bits that
they carry, one capture with another.

May enter: whatever finds out which entry of one table belongs to which entry of another. What follows from it
for the machine is told by `wrongbit.faults` and the rooms above.
"""
