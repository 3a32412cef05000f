"""The figures: pure functions from results to SVG text, for page, HTML report and PDF alike.

Each takes a `wrongbit.report.theme.Theme`, has a title and a description for who cannot see it, escapes all
text, and tells nothing by colour alone. A new figure is one module here and one test file.
"""

from wrongbit.report.figures.bits import Lane, StripWord, bit_strip, strip_word
from wrongbit.report.figures.charts import (
    Odds,
    bit_counts,
    chip_counts,
    finding_odds,
    line_counts,
    odds_bars,
    pattern_odds,
    percent,
    suspect_odds,
)
from wrongbit.report.figures.levels import Marked, cycle_mark, level_drawing, line_names
from wrongbit.report.figures.maps import board_map, chip_map, map_caption, recoloured, replacement_drawing
from wrongbit.report.figures.rungs import ladder_figure
from wrongbit.report.figures.whole import Condensed, capture_strip, condense

__all__ = [
    "Condensed",
    "Lane",
    "Marked",
    "Odds",
    "StripWord",
    "bit_counts",
    "bit_strip",
    "board_map",
    "capture_strip",
    "chip_counts",
    "chip_map",
    "condense",
    "cycle_mark",
    "finding_odds",
    "ladder_figure",
    "level_drawing",
    "line_counts",
    "line_names",
    "map_caption",
    "odds_bars",
    "pattern_odds",
    "percent",
    "recoloured",
    "replacement_drawing",
    "strip_word",
    "suspect_odds",
]
