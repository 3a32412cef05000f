"""Instructions: what words mean to a processor, where each leads, and which of two words it acted on.

A module may enter that decodes words or reasons from decoded words about the cycles that follow. An
instruction set that no library knows is a text table in ``tables/`` or beside a machine file; nothing else
need be added.
Reference contents come in as functions and arrays: this room knows neither chips nor verdicts.
"""
