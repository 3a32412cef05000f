"""The report's sections, one module a part of the job: from results to sentences, tables and figures.

A section with nothing to say is one line that tells what has not been done.
"""
