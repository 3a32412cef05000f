"""Every figure: well-formed, with a title and a description, all text escaped, never colour alone."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.bringup.ladder import Measured, judge
from wrongbit.capture.capture import Capture, Layout, Times
from wrongbit.compare.verdicts import AGREES, DIFFERS, NOT_KNOWN
from wrongbit.job import Comparison, Diagnosis, Job
from wrongbit.report.figures import (
    Lane,
    Marked,
    Odds,
    StripWord,
    bit_counts,
    bit_strip,
    capture_strip,
    chip_counts,
    condense,
    cycle_mark,
    finding_odds,
    ladder_figure,
    level_drawing,
    line_counts,
    line_names,
    odds_bars,
    recoloured,
    strip_word,
)
from wrongbit.report.theme import LIGHT, PRINT, THEMES, Theme, following

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '<script>alert(1)</script>" onload="x\x00]]>&amp;'


def parsed(svg: str) -> ElementTree.Element:
    root = ElementTree.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    assert root.get("aria-label")
    assert (root.find(f"{SVG}title")) is not None and (root.find(f"{SVG}desc")) is not None
    return root


def texts(root: ElementTree.Element) -> list[str]:
    """What is written on a figure; what is only told to who points at it left out."""
    return [
        "".join([each.text or "", *(part.tail or "" for part in each)]) for each in root.iter(f"{SVG}text")
    ]


# -- bit strip ---------------------------------------------------------------------------------------------


WORD = StripWord(
    16, 0x5113, 0xFFFF, 0x511B, 0xFFFF, (Lane("U11", tuple(range(8))), Lane("U12", tuple(range(8, 16))))
)


def test_a_bit_strip_shows_every_bit_of_both_words_from_the_highest_down():
    """0x5113 and 0x511B by hand: 0101 0001 0001 0011 and 0101 0001 0001 1011."""
    shown = [text for text in texts(parsed(bit_strip(WORD, LIGHT))) if text in ("0", "1")]
    # Numbers of bits 1 and 0 are among them: the last two of the head of the lower lane.
    root = parsed(bit_strip(WORD, LIGHT))
    cells = [each for each in root.iter(f"{SVG}text") if each.get("font-size") == "14"]
    expected = "".join(c.text or "" for c in cells if float(c.get("y", 0)) < 80)
    seen = "".join(c.text or "" for c in cells if float(c.get("y", 0)) > 80)
    assert (expected, seen) == ("0101000100010011", "0101000100011011")
    assert len(shown) == 32 + 2


def test_lanes_are_named_in_the_order_of_their_bits():
    told = texts(parsed(bit_strip(WORD, LIGHT)))
    assert told.index("U12") < told.index("U11")


def test_a_differing_cell_is_notched_and_others_are_not():
    def notched(word: StripWord) -> int:
        # The notched outline is the only closed path of straight lines with a heavy pen.
        return bit_strip(word, LIGHT).count('stroke-width="2"')

    assert notched(WORD) == 1
    assert notched(replace(WORD, seen=0x5113)) == 0
    assert notched(replace(WORD, seen=0xAEEC)) == 16


def test_an_unknown_bit_has_a_question_mark_and_hatching_and_does_not_differ():
    word = replace(WORD, seen_known=0xFFF7)
    svg = bit_strip(word, LIGHT)
    assert word.wrong == 0
    assert texts(parsed(svg)).count("?") == 1
    assert "not known" in texts(parsed(svg))
    assert svg.count('stroke-width="0.8"') == 2  # the cell and the key


def test_what_a_strip_says_is_what_it_shows():
    assert WORD.say() == "expected 5113, seen 511B; bit 3 differs (U11: 1 for 0)"
    assert WORD.say() in (parsed(bit_strip(WORD, LIGHT)).findtext(f"{SVG}desc") or "")


@given(
    bits=st.integers(1, 64),
    words=st.lists(st.integers(0, 2**64 - 1), min_size=4, max_size=4),
)
def test_any_word_of_any_width_has_a_strip(bits: int, words: list[int]):
    mask = (1 << bits) - 1
    word = StripWord(bits, *(each & mask for each in words))
    root = parsed(bit_strip(word, PRINT))
    heads = [each.text for each in root.iter(f"{SVG}text") if each.get("font-size") == "11"]
    assert [text for text in heads if text and text.isdigit()] == [str(bit) for bit in reversed(range(bits))]
    differ = [bit for bit in range(bits) if (words[0] ^ words[2]) & words[1] & words[3] >> 0 & 1 << bit]
    assert word.say().count("differs") == len(differ)


def test_the_strip_of_a_cycle_has_the_lanes_of_the_chips_that_answer(job: Job, comparison: Comparison):
    row = comparison.summary.first_wrong
    assert row is not None
    word = strip_word(job, comparison, row)
    assert {lane.name for lane in word.lanes} == {"U11", "U12"}
    assert word.wrong == int(comparison.verdicts.wrong[row]) != 0


# -- capture strip -----------------------------------------------------------------------------------------


@given(st.lists(st.sampled_from([NOT_KNOWN, AGREES, DIFFERS]), max_size=400), st.integers(1, 50))
def test_condensing_loses_no_cycle(codes: list[int], columns: int):
    """Against counts of plain Python."""
    verdict = np.array(codes, np.uint8)
    found = condense(verdict, columns)
    assert found.columns == min(columns, len(codes))
    size = np.diff(found.starts)
    assert size.sum() == len(codes)
    if len(codes):
        assert size.max() - size.min() <= 1
    assert round(float((found.differs * size).sum())) == codes.count(DIFFERS)
    assert round(float((found.agrees * size).sum())) == codes.count(AGREES)
    assert found.first_wrong == (codes.index(DIFFERS) if DIFFERS in codes else None)
    for cycle in range(len(codes)):
        column = found.column_of(cycle)
        assert found.starts[column] <= cycle < found.starts[column + 1]


def test_one_wrong_cycle_among_a_million_is_seen_and_named():
    verdict = np.full(1_000_000, AGREES, np.uint8)
    verdict[712_345] = DIFFERS
    svg = capture_strip(condense(verdict), LIGHT)
    assert "first wrong: cycle 712345" in texts(parsed(svg))
    heights = [
        float(found)
        for steps in re.findall(rf'<path d="([^"]*)" fill="{LIGHT.accent}"', svg)
        for found in re.findall(r"v-([0-9.]+)h", steps)
    ]
    assert heights and max(heights) >= 5
    assert len(svg) < 5000  # long sound stretches are one shape each


def test_a_strip_of_nothing_says_so():
    assert "no cycle" in texts(parsed(capture_strip(condense(np.empty(0, np.uint8)), LIGHT)))


def test_a_window_of_a_capture_has_its_own_ends():
    verdict = np.full(1000, AGREES, np.uint8)
    verdict[[5, 500]] = DIFFERS
    found = condense(verdict, 10, first=400, last=600)
    assert (found.starts[0], found.starts[-1], found.first_wrong) == (400, 600, 500)


# -- levels ------------------------------------------------------------------------------------------------


def window(first: int = 100) -> Capture:
    """A clock, a signal that is not known at two samples, and a bus of four bits, by hand."""
    clock = np.array([0, 1] * 8, np.uint64)
    signal = np.array([1] * 8 + [0] * 8, np.uint64)
    bus = np.array([3] * 4 + [10] * 8 + [15] * 4, np.uint64)
    unknown = np.zeros(16, np.uint64)
    unknown[4:6] = 2
    layout = Layout({"CK": 0, "RD": 1, "A0": 2, "A1": 3, "A2": 4, "A3": 5}, {"A": (2, 3, 4, 5)})
    planes = clock | signal << np.uint64(1) | bus << np.uint64(2)
    planes &= ~unknown
    return Capture(layout, (planes,), (unknown,), Times(0, 50_000), first_sample=first)


def test_a_level_drawing_has_a_line_a_signal_and_values_of_a_bus():
    root = parsed(level_drawing(window(), LIGHT))
    told = texts(root)
    assert [name for name in told if name in ("CK", "RD", "A [3:0]")] == ["CK", "RD", "A [3:0]"]
    assert [value for value in told if value in ("3", "A", "F")] == ["3", "A", "F"]
    assert line_names(window()) == ("CK", "RD", "A")


def test_unknown_levels_are_hatched_and_their_bus_digit_is_a_question_mark():
    dark = THEMES["dark"]  # where what is unknown has a colour of its own
    svg = level_drawing(window(), dark, lines=["RD", "A"])
    assert svg.count(f'stroke="{dark.unknown}"') == 2  # hatching and outline, of RD alone
    known = replace(window(), unknown=(None,))
    assert f'stroke="{dark.unknown}"' not in level_drawing(known, dark, lines=["RD", "A"])
    partly = replace(window(), unknown=(window().unknown[0] << np.uint64(1),))  # type: ignore[operator]
    assert "?" in texts(parsed(level_drawing(partly, dark, lines=["A"])))


def test_zooming_draws_only_what_was_asked_for():
    root = parsed(level_drawing(window(), LIGHT, lines=["A"], first=106, last=109))
    assert [value for value in texts(root) if value in ("3", "A", "F")] == ["A"]
    assert "Samples 106 to 109 of A." in (root.findtext(f"{SVG}desc") or "")


def test_a_marked_cycle_has_a_head_and_a_mark_of_its_own():
    svg = level_drawing(window(), LIGHT, marks=[Marked(104, 107, "cycle 23", wrong=True)])
    assert "cycle 23" in texts(parsed(svg))
    assert f'fill="{LIGHT.tint}"' in svg and f'fill="{LIGHT.accent}"' in svg
    sound = level_drawing(window(), LIGHT, marks=[Marked(104, 107, "cycle 23")])
    assert 'stroke-dasharray="5 3"' in sound and f'fill="{LIGHT.accent}"' not in sound


def test_the_times_are_those_of_the_samples():
    told = texts(parsed(level_drawing(window(), LIGHT)))
    assert told[told.index("105") + 1] == "250 ns"  # 5 × 50 ns after sample 100


def test_a_line_with_very_many_changes_is_a_bar_and_stays_small():
    many = np.arange(200_000, dtype=np.uint64) & np.uint64(1)
    capture = Capture(Layout({"CK": 0}, {}), (many,), (None,), Times())
    svg = level_drawing(capture, LIGHT)
    assert "199999 changes" in svg and len(svg) < 40_000


def test_an_empty_window_and_an_unknown_line():
    empty = Capture(Layout({"CK": 0}, {}), (np.empty(0, np.uint64),), (None,), Times())
    assert "no sample" in texts(parsed(level_drawing(empty, LIGHT)))
    with pytest.raises(KeyError):
        level_drawing(window(), LIGHT, lines=["NOPE"])


def test_a_cycle_is_marked_from_behind_the_one_before(comparison: Comparison):
    row = comparison.summary.first_wrong
    assert row is not None
    mark = cycle_mark(comparison, row)
    assert mark.wrong
    assert (mark.first, mark.last) == (comparison.cycles.sample[row - 1] + 1, comparison.cycles.sample[row])
    assert cycle_mark(comparison, 0).first == 0


# -- ladder ------------------------------------------------------------------------------------------------


def test_a_ladder_has_every_rung_with_its_mark(job: Job):
    measured = {
        ("VCC", "voltage"): Measured(4.9, 4.9),
        ("CK", "duty"): Measured(20.0, 20.0),
    }
    ladder = judge(job.machine, measured)  # type: ignore[arg-type]
    svg = ladder_figure(ladder, LIGHT)
    told = texts(parsed(svg))
    assert all(rung.title in told for rung in ladder.rungs)
    assert svg.count(f'stroke="{LIGHT.agrees}"') == 2 * ladder.count("within")  # ring and tick
    assert svg.count(f'fill="{LIGHT.tint}" stroke="{LIGHT.accent}"') == ladder.count("outside") == 1
    assert any("first that fails" in text for text in told)


# -- charts ------------------------------------------------------------------------------------------------


def test_odds_have_their_numbers_and_the_best_a_mark():
    odds = [Odds("J0", 0.75, True, 0.2), Odds("X11", 0.0001, False, 0.1)]
    told = texts(parsed(odds_bars(odds, LIGHT)))
    assert "▲ J0" in told and "X11" in told
    assert "75.0 %" in told and "< 0.1 %" in told


def test_labels_are_text_whatever_they_are():
    hostile = "'+alert(1)+' \"] <script>x</script> ${a} datum.label"
    told = texts(parsed(odds_bars([Odds(hostile, 0.5)], LIGHT)))
    assert hostile in told


def test_no_odds_say_so():
    assert "nothing to show" in texts(parsed(odds_bars([], LIGHT)))


def test_counts_say_how_often_each_bit_was_wrong(comparison: Comparison):
    summary = comparison.summary
    root = parsed(bit_counts(summary, LIGHT))
    worst = max(summary.bits, key=lambda count: count.wrong)
    assert f"bit {worst.bit}: {worst.wrong} of {worst.judged} wrong" in (root.findtext(f"{SVG}desc") or "")
    assert {"15", "0", "read 1 for 0", "read 0 for 1"} <= set(texts(root))
    lines = parsed(line_counts(summary, LIGHT)).findtext(f"{SVG}desc") or ""
    assert lines.count("A") == len(summary.lines)
    assert "U11" in "".join(texts(parsed(chip_counts(summary, LIGHT))))


def test_the_ticks_of_small_shares_read_apart(comparison: Comparison):
    """Shares of 0.3 % and 0.7 %: whole percent would read 0 % and 1 % several times over."""
    line = comparison.summary.lines[0]
    few = replace(comparison.summary, lines=(replace(line, wrong=(3, 7), judged=(1000, 1000)),))
    for way in (few, comparison.summary):
        ticks = [text for text in texts(parsed(line_counts(way, LIGHT))) if re.fullmatch(r"[\d.]+%", text)]
        numbers = [float(text[:-1]) for text in ticks]
        zero = numbers.index(0)
        assert len(numbers) >= 3
        assert len(set(numbers[: zero + 1])) == zero + 1
        assert len(set(numbers[zero:])) == len(numbers) - zero


def test_the_best_findings_come_first(diagnosis: Diagnosis):
    odds = finding_odds(diagnosis.findings)
    assert odds[0].tied and odds[0].label == diagnosis.findings.best.say()
    assert [each.share for each in odds] == sorted((each.share for each in odds), reverse=True)


# -- themes and text ---------------------------------------------------------------------------------------


FIGURES: dict[str, Callable[[str, Theme], str]] = {
    "bit strip": lambda name, theme: bit_strip(replace(WORD, lanes=(Lane(name, (0,)),)), theme, title=name),
    "capture strip": lambda name, theme: capture_strip(
        condense(np.array([1, 2], np.uint8)), theme, title=name
    ),
    "levels": lambda name, theme: level_drawing(
        Capture(Layout({name: 0}, {}), (np.zeros(3, np.uint64),), (None,), Times()),
        theme,
        marks=[Marked(0, 1, name)],
        title=name,
    ),
    "odds": lambda name, theme: odds_bars([Odds(name, 0.5)], theme, title=name),
}


@pytest.mark.parametrize("kind", FIGURES)
def test_names_are_text_and_never_markup(kind: str):
    root = parsed(FIGURES[kind](HOSTILE, LIGHT))
    assert not list(root.iter(f"{SVG}script"))
    assert not [key for each in root.iter() for key in each.attrib if key.startswith("on")]
    assert "\x00" not in "".join(root.itertext())
    assert any("<script>alert(1)</script>" in text for text in root.itertext())


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
@pytest.mark.parametrize("kind", FIGURES)
def test_a_figure_has_only_the_theme_s_colours(kind: str, theme: Theme):
    svg = FIGURES[kind]("U7", theme)
    used = set(re.findall(r"#[0-9a-fA-F]{3,8}\b", svg))
    assert used <= set(theme.colours().values()), used - set(theme.colours().values())


def test_recolouring_touches_attributes_only():
    svg = '<svg><text fill="#d55e00">fill="#d55e00"</text><rect fill="#d55e00" stroke="#1d1f24"/></svg>'
    dark = THEMES["dark"]
    assert recoloured(svg, dark) == (
        f'<svg><text fill="{dark.accent_text}">fill="#d55e00"</text>'
        f'<rect fill="{dark.accent}" stroke="{dark.ink}"/></svg>'
    )


def test_a_following_figure_names_roles_for_every_colour():
    svg = following(bit_strip(WORD, LIGHT))
    assert not re.findall(r'(?:fill|stroke)="#', svg)
    assert 'fill="var(--wb-paper)"' in svg and 'stroke="var(--wb-accent)"' in svg
