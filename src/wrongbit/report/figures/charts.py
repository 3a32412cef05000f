"""Charts: odds of suspects and explanations, counts per bit, per chip and per address line.

They are described with Altair and turned into SVG by vl-convert, which needs neither a browser nor a network.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log10
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from wrongbit.compare.summary import Summary
from wrongbit.diagnose.setup import Mistake
from wrongbit.diagnose.suspects import Weighing
from wrongbit.faults.findings import Findings
from wrongbit.reading.weighed import Weighed
from wrongbit.report.figures.svg import plain, shortened, width_of
from wrongbit.report.theme import MONO_FACE, Theme

BAR, PADDING, SIZE = 34, 12, 12
"""Pixels: a bar with its label above it, the margin, the text's size."""

TICKS = 5
"""About so many steps on the axis of a column chart."""


@dataclass(frozen=True)
class Odds:
    """One bar.

    Args:
        label: What it is.
        share: Its probability.
        tied: It is among the best that cannot be told apart.
        prior: Its probability before anything was measured, or None.
        told: The number in words, where it is not a probability.
    """

    label: str
    share: float
    tied: bool = False
    prior: float | None = None
    told: str = ""


def percent(share: float) -> str:
    """A probability that never claims certainty.

    >>> percent(0.5), percent(0.9999), percent(0.00001)
    ('50.0 %', '> 99.9 %', '< 0.1 %')
    """
    if share > 0.999:
        return "> 99.9 %"
    return f"{share:.1%}".replace("%", " %") if share >= 0.001 else "< 0.1 %"


def suspect_odds(weighing: Weighing, most: int = 8) -> tuple[Odds, ...]:
    """Suspected parts, most suspicious first."""
    top = set(weighing.top()) if weighing.labels else set()
    return tuple(
        Odds(each.part, each.share, each.part in top, each.prior) for each in weighing.suspects()[:most]
    )


def finding_odds(
    findings: Findings, mistakes: Sequence[Mistake] = (), contenders: int = 0, most: int = 8
) -> tuple[Odds, ...]:
    """Explanations of one capture: the best and what cannot be told from it first.

    Args:
        findings: Faults of the machine.
        mistakes: Mistakes in the set-up that compete with them.
        contenders: How many of these, from the first, cannot be told from the best fault.
        most: Bars at most.
    """
    ties = set(findings.groups[0]) if findings.groups else set()
    odds = [
        Odds(each.say() if each.faults else "No fault: noise only.", each.probability, number in ties)
        for number, each in enumerate(findings.findings)
    ]
    odds += [
        Odds(f"Set-up: {each.say()}", each.probability, number < contenders)
        for number, each in enumerate(mistakes)
    ]
    return tuple(sorted(odds, key=lambda each: (not each.tied, -each.share))[:most])


def pattern_odds(weighed: Weighed, most: int = 8) -> tuple[Odds, ...]:
    """Explanations of a chip's readings."""
    return tuple(
        Odds(each.says, each.probability, place < weighed.ties)
        for place, each in enumerate(weighed.patterns[:most])
    )


def odds_bars(odds: Sequence[Odds], theme: Theme, *, title: str = "Odds", width: int = 760) -> str:
    """Bars with their shares as numbers; the best are marked, and a stroke shows the share before measuring.

    Args:
        odds: In the order in which they are drawn.
        theme: Colours.
        title: What they are, for who cannot see it.
        width: Pixels in all.
    """
    import altair as alt

    if not odds:
        return _nothing(theme, title, width)
    across = width - 2 * PADDING
    room = across - width_of("> 99.9 % ", SIZE)
    rows = [
        {
            "row": number,
            "label": shortened(("▲ " if each.tied else "") + plain(each.label), room, SIZE),
            "share": each.share,
            "told": each.told or percent(each.share),
            "tied": each.tied,
            "prior": each.prior,
        }
        for number, each in enumerate(odds)
    ]
    base = alt.Chart(_data(rows)).encode(y=alt.Y("row:O", axis=None))
    axis = alt.Axis(title=None, format="%", values=[0, 0.25, 0.5, 0.75, 1])
    share = alt.X("share:Q", scale=alt.Scale(domain=[0, 1]), axis=axis)
    colour = alt.condition("datum.tied", alt.value(theme.accent), alt.value(theme.edge))
    bars = base.mark_bar(height=8, yOffset=9).encode(x=share, color=colour)
    labels = base.mark_text(align="left", dy=-6).encode(x=alt.value(0), text="label:N")
    numbers = base.mark_text(align="right", dy=-6, fontWeight="bold").encode(
        x=alt.value(across), text="told:N"
    )
    layers = [bars, labels, numbers]
    if any(each.prior is not None for each in odds):
        ticks = base.transform_filter("datum.prior !== null")
        ticks = ticks.mark_tick(thickness=2, size=16, yOffset=9, color=theme.ink)
        layers.append(ticks.encode(x="prior:Q"))
        axis.title = "stroke: before anything was measured"
    told = "; ".join(f"{each.label} {each.told or percent(each.share)}" for each in odds)
    return _svg(alt.layer(*layers).properties(width=across, height=BAR * len(odds)), theme, title, told)


def _data(rows: list[dict[str, Any]]) -> Any:
    import altair as alt

    return alt.Data(values=rows)  # type: ignore[no-untyped-call]


def bit_counts(summary: Summary, theme: Theme, *, width: int = 760) -> str:
    """How often each bit of the word was wrong, above the line as 1 for 0 and below it as 0 for 1."""
    rows = [
        {"row": count.bit, "count": value, "way": way, "tie": value}
        for count in reversed(summary.bits)
        for value, way in ((count.read_as_one, "read 1 for 0"), (-count.read_as_zero, "read 0 for 1"))
    ]
    told = "; ".join(
        f"bit {count.bit}: {count.wrong} of {count.judged} wrong" for count in summary.bits if count.wrong
    )
    return _columns(rows, theme, "Wrong bits", told or "No bit was wrong.", ("bit", "cycles"), width)


def line_counts(summary: Summary, theme: Theme, *, width: int = 760) -> str:
    """Share of the judged words that were wrong with each address line at 1 and, below the line, at 0."""
    rows = [
        {
            "row": line.line,
            "count": sign * line.wrong[level] / max(line.judged[level], 1),
            "way": f"line at {level}",
        }
        for line in summary.lines
        for level, sign in ((1, 1), (0, -1))
    ]
    told = "; ".join(
        f"A{line.line}: wrong {line.wrong[0]} of {line.judged[0]} at 0, "
        f"{line.wrong[1]} of {line.judged[1]} at 1"
        for line in summary.lines
    )
    return _columns(
        rows, theme, "Wrong words by address line", told, ("address line", "share wrong"), width, share=True
    )


def chip_counts(summary: Summary, theme: Theme, *, width: int = 760) -> str:
    """Share of each chip's judged reads that were wrong."""
    odds = [
        Odds(
            count.name,
            count.wrong / max(count.judged, 1),
            count.wrong > 0,
            told=f"{count.wrong} of {count.judged}",
        )
        for count in summary.chips
    ]
    return odds_bars(odds, theme, title="Share of wrong reads by chip", width=width)


def _columns(
    rows: list[dict[str, Any]],
    theme: Theme,
    title: str,
    told: str,
    axes: tuple[str, str],
    width: int,
    *,
    share: bool = False,
) -> str:
    """Columns up and down from one line; the two ways differ in direction as well as in colour."""
    import altair as alt

    ways = list(dict.fromkeys(row["way"] for row in rows))
    ticks: dict[str, Any] = {"tickCount": TICKS}
    if share:
        form = f".{percent_digits([row['count'] for row in rows])}%"
    else:
        form = ",.0f"
        ticks["tickMinStep"] = 1  # half a cycle is none
    number = f"format(abs(datum.value), '{form}')"
    chart = (
        alt.Chart(_data(rows))
        .mark_bar()
        .encode(
            x=alt.X(
                "row:O",
                sort="descending",
                axis=alt.Axis(title=axes[0], labelAngle=0),
            ),
            y=alt.Y("count:Q", axis=alt.Axis(title=axes[1], labelExpr=number, **ticks)),
            color=alt.Color(
                "way:N",
                scale=alt.Scale(domain=ways, range=[theme.accent, theme.address]),
                legend=alt.Legend(title=None, orient="top"),
            ),
        )
        .properties(width=width - 100, height=150)
    )
    return _svg(chart, theme, title, told)


def percent_digits(values: Sequence[float]) -> int:
    """Decimals that tell the ticks of an axis over these shares apart, whose labels are in percent.

    >>> percent_digits([0.4, -0.35]), percent_digits([0.011, -0.002]), percent_digits([0.0])
    (0, 1, 0)
    """
    span = max([*values, 0.0]) - min([*values, 0.0])
    return 0 if span <= 0 else max(0, -floor(log10(100 * span / TICKS)))


def _nothing(theme: Theme, title: str, width: int) -> str:
    from wrongbit.report.figures.svg import document, text

    return document(
        width, 40, [text(12, 25, "nothing to show", theme.quiet)], theme, title=title, description="Nothing."
    )


def _config(theme: Theme) -> dict[str, Any]:
    """The look in Vega-Lite's terms."""
    axis = {
        "domainColor": theme.edge,
        "tickColor": theme.edge,
        "gridColor": theme.rule,
        "labelColor": theme.ink,
        "titleColor": theme.quiet,
        "labelFont": MONO_FACE,
        "titleFont": MONO_FACE,
        "labelFontSize": 12,
        "titleFontWeight": "normal",
        "titleFontSize": 12,
    }
    return {
        "background": theme.paper,
        "font": MONO_FACE,
        "view": {"stroke": None},
        "axis": axis,
        "text": {"color": theme.ink, "fontSize": 12, "font": MONO_FACE},
        "legend": {
            "labelColor": theme.ink,
            "labelFont": MONO_FACE,
            "labelFontSize": 12,
            "symbolType": "square",
        },
    }


def _svg(chart: Any, theme: Theme, title: str, description: str) -> str:
    """A chart as SVG with our own title and description; Vega's own role attributes are for its run time."""
    import vl_convert

    specification = {**chart.to_dict(), "config": _config(theme), "padding": 12}
    drawn = str(vl_convert.vegalite_to_svg(specification))
    drawn = re.sub(r'\s(?:role|aria-[a-z]+)="[^"]*"', "", drawn)
    label = quoteattr(plain(f"{title}. {description}"))
    head = (
        f'role="img" aria-label={label}><title>{escape(plain(title))}</title>'
        f"<desc>{escape(plain(description))}</desc>"
    )
    return re.sub(r"^(<svg[^>]*)>", lambda found: f"{found[1]} {head}", drawn, count=1) + "\n"
