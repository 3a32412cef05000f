"""The report and its figures: one look and one set of drawings for page, HTML and PDF.

What enters is a pure function from results to SVG text, a look, or a way to set a report's content as a
document. Nothing here computes a finding, and nothing here knows the browser or the terminal.
"""
