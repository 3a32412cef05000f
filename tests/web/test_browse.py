"""Looking around in a capture: rows, filters, searches, against plain Python over the same cycles."""

from __future__ import annotations

from fnmatch import fnmatchcase
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wrongbit.casework.wanted import parse_wanted
from wrongbit.casework.words import known_word
from wrongbit.compare.verdicts import AGREES, DIFFERS, NOT_KNOWN
from wrongbit.demo.case import write_case
from wrongbit.errors import UsageError
from wrongbit.job import compare_capture, explain, open_execution, open_job
from wrongbit.machine.recipe import KINDS
from wrongbit.web.browse import (
    WHATS,
    Browser,
    Listing,
    bit_text,
    explain_word,
    lane_gaps,
    listing_of,
    read_mnemonics,
    search,
    step,
)


def browser_of(folder: Path, machine: str, cycles: int = 4000) -> Browser:
    case = write_case(folder, machine, cycles=cycles)
    job = open_job(case.machine_file, point=case.captures[0].point)
    comparison = compare_capture(job, case.captures[0].path)
    execution = open_execution(job, comparison)
    return Browser(job, comparison, execution, read_mnemonics(execution))


@pytest.fixture(scope="module")
def saltmarsh(tmp_path_factory: pytest.TempPathFactory) -> Browser:
    return browser_of(tmp_path_factory.mktemp("saltmarsh"), "saltmarsh")


@pytest.fixture(scope="module")
def quarrybank(tmp_path_factory: pytest.TempPathFactory) -> Browser:
    return browser_of(tmp_path_factory.mktemp("quarrybank"), "quarrybank")


# Searches: a pattern matches exactly where the digits as text match it (fnmatch of the standard library).


@given(value=st.integers(0, 0xFFFF), digits=st.text("0123456789abcdefABCDEF?", min_size=4, max_size=4))
def test_pattern_matches_as_text_does(value: int, digits: str) -> None:
    wanted = parse_wanted(digits, 16)
    found = wanted.among(np.array([value], np.uint64), np.array([0xFFFF], np.uint64))
    assert bool(found[0]) == fnmatchcase(f"{value:04x}", digits.lower())


@given(low=st.integers(0, 0xFFF), high=st.integers(0, 0xFFF), value=st.integers(0, 0xFFF))
def test_range_has_both_ends_in_either_order(low: int, high: int, value: int) -> None:
    wanted = parse_wanted(f"{low:X}..0x{high:x}", 12)
    found = wanted.among(np.array([value], np.uint64), np.array([0xFFF], np.uint64))
    assert bool(found[0]) == (min(low, high) <= value <= max(low, high))


def test_an_unknown_bit_matches_only_where_it_does_not_count() -> None:
    values, known = np.array([0x12, 0x12], np.uint64), np.array([0xFF, 0xF0], np.uint64)
    assert parse_wanted("12", 8).among(values, known).tolist() == [True, False]
    assert parse_wanted("1?", 8).among(values, known).tolist() == [True, True]
    assert parse_wanted("10..1F", 8).among(values, known).tolist() == [True, False]


@pytest.mark.parametrize(
    ("text", "value"), [("$1f", 0x1F), ("0o17", 0o17), ("0b1_01", 0b101), (" 00 2a ", 0x2A)]
)
def test_other_notations(text: str, value: int) -> None:
    wanted = parse_wanted(text, 16)
    assert (wanted.low, wanted.high, wanted.mask) == (value, value, 0xFFFF)


@pytest.mark.parametrize("text", ["", "12345", "0x", "g1", "1:2:3", "1f..", "1?..20", "x:12", "²:12", "-1"])
def test_what_cannot_be_read_is_told(text: str) -> None:
    with pytest.raises(UsageError, match="cannot be understood"):
        parse_wanted(text, 16, banked=True)


def test_searches_find_every_cycle(saltmarsh: Browser) -> None:
    """Against a plain loop over all cycles."""
    cycles, verdicts = saltmarsh.comparison.cycles, saltmarsh.comparison.verdicts
    some = int(saltmarsh.wrong[0])
    address, bank = int(cycles.address[some]), int(cycles.bank[some])
    word, expected = int(cycles.word[some]), int(verdicts.expected[some])
    every = range(len(cycles))
    assert search(saltmarsh, "address", f"{bank}:{address:04X}").tolist() == [
        n for n in every if cycles.address[n] == address and cycles.bank[n] == bank
    ]
    assert search(saltmarsh, "word seen", f"{word:04X}").tolist() == [
        n for n in every if cycles.word[n] == word and cycles.known[n] == 0xFFFF
    ]
    assert search(saltmarsh, "word expected", f"{expected:04X}").tolist() == [
        n for n in every if verdicts.expected[n] == expected and verdicts.judged[n] == 0xFFFF
    ]


def test_an_instruction_is_found_by_a_part_of_it(quarrybank: Browser) -> None:
    assert quarrybank.execution is not None
    found = search(quarrybank, "instruction", "ld  A,")
    assert len(found)
    texts = {}
    for start in quarrybank.execution.starts.tolist():
        instruction = quarrybank.execution.seen_at(start)
        texts[start] = "" if instruction is None else instruction.text
    assert found.tolist() == [n for n, text in texts.items() if "lda," in text.lower().replace(" ", "")]


def test_search_for_nothing_is_refused(saltmarsh: Browser) -> None:
    for what in WHATS:
        with pytest.raises(UsageError):
            search(saltmarsh, what, "  ")


def test_without_an_instruction_set_a_search_says_so(saltmarsh: Browser) -> None:
    with pytest.raises(UsageError, match="not decoded"):
        search(Browser(saltmarsh.job, saltmarsh.comparison), "instruction", "LD")


# Mnemonics: the same as decoding each instruction by itself.


@pytest.mark.parametrize("name", ["saltmarsh", "quarrybank"])
def test_mnemonics_are_those_of_each_start_alone(name: str, request: pytest.FixtureRequest) -> None:
    browser: Browser = request.getfixturevalue(name)
    execution, mnemonics = browser.execution, browser.mnemonics
    assert execution is not None and mnemonics is not None
    assert len(execution.starts) > 100
    for start in execution.starts.tolist():
        found = execution.seen_at(start)
        assert mnemonics.at(start) == ("" if found is None else found.text)
    others = np.setdiff1d(np.arange(len(browser)), execution.starts)
    assert (mnemonics.code[others] == -1).all()


def test_decoding_tells_how_far_it_is(saltmarsh: Browser) -> None:
    assert saltmarsh.execution is not None
    told: list[tuple[int, int]] = []
    read_mnemonics(saltmarsh.execution, lambda done, total: told.append((done, total)))
    assert told and all(0 <= done < total for done, total in told)


# Rows


def test_a_row_says_what_the_cycle_says(saltmarsh: Browser) -> None:
    cycles, verdicts = saltmarsh.comparison.cycles, saltmarsh.comparison.verdicts
    first = int(saltmarsh.wrong[0])
    row = saltmarsh.row(first)
    assert (row.cycle, row.verdict) == (first, "differs")
    assert int(row.seen, 16) == cycles.word[first]
    assert int(row.expected, 16) == verdicts.expected[first]
    assert int(row.address, 16) == cycles.address[first]
    assert row.kind.replace(" ", "_") == KINDS[cycles.kind[first]]
    wrong = sum(1 << bit for bit, each in enumerate(reversed(row.bits)) if each in "ab")
    assert wrong == verdicts.wrong[first]


def test_a_writing_cycle_has_no_verdict(saltmarsh: Browser) -> None:
    cycles = saltmarsh.comparison.cycles
    writing = int(np.flatnonzero(cycles.kind == KINDS.index("write"))[0])
    row = saltmarsh.row(writing)
    assert (row.verdict, row.expected) == ("", "")
    assert set(row.bits) <= set("yz?")


def test_the_instruction_that_should_be_there_is_told(saltmarsh: Browser) -> None:
    told = [saltmarsh.row(int(n)) for n in saltmarsh.wrong[:200]]
    instead = [row for row in told if row.instead]
    assert instead
    assert all(row.instead != row.instruction for row in instead)


def test_bits_by_hand() -> None:
    # Expected 0110, seen 0011: bit 3 is 0 as it should be, bit 2 was 0 for 1, bit 1 is right, bit 0 was 1.
    assert bit_text(0b0110, 0b1111, 0b0011, 0b1111, 4) == "0b1a"


@given(st.integers(0, 2**20 - 1), st.integers(0, 2**20 - 1))
def test_known_digits_read_back(value: int, known: int) -> None:
    text = known_word(value, known, 20)
    for place, digit in enumerate(reversed(text)):
        if known >> 4 * place & 15 == 15:
            assert int(digit, 16) == value >> 4 * place & 15
        else:
            assert digit == "?"


def test_lanes_part_at_bytes_and_chips(saltmarsh: Browser) -> None:
    assert lane_gaps(saltmarsh.job) == (7,)


def test_one_word_is_explained_as_the_whole_explanation_does(saltmarsh: Browser) -> None:
    whole = explain(saltmarsh.job, saltmarsh.comparison)
    assert whole.evidence is not None
    evidence, followed = explain_word(saltmarsh, whole.evidence.row)
    assert (evidence.acted, evidence.reasons, evidence.went) == (
        whole.evidence.acted,
        whole.evidence.reasons,
        whole.evidence.went,
    )
    assert followed.text == whole.consequence.text


# Filters and places


def test_filters_are_those_of_a_plain_loop(saltmarsh: Browser) -> None:
    cycles, verdicts = saltmarsh.comparison.cycles, saltmarsh.comparison.verdicts
    fetch, read = KINDS.index("fetch"), KINDS.index("read")
    found = listing_of(saltmarsh.comparison, verdicts={DIFFERS, NOT_KNOWN}, kinds={fetch})
    every = range(len(cycles))
    assert found.chosen is not None
    assert found.chosen.tolist() == [
        n for n in every if cycles.kind[n] == fetch and verdicts.verdict[n] != AGREES
    ]
    unknown = listing_of(saltmarsh.comparison, verdicts={NOT_KNOWN})
    assert unknown.chosen is not None
    assert unknown.chosen.tolist() == [
        n for n in every if verdicts.verdict[n] == NOT_KNOWN and cycles.kind[n] in (fetch, read)
    ]
    assert listing_of(saltmarsh.comparison).chosen is None


@given(st.sets(st.integers(0, 60)), st.integers(0, 60))
def test_a_cycles_place_is_where_it_is_listed(chosen: set[int], cycle: int) -> None:
    listing = Listing(61, np.array(sorted(chosen), np.int64))
    place = listing.place(cycle)
    if not chosen:
        assert place == 0
    elif cycle in chosen:
        assert listing.numbers(place, 1).tolist() == [cycle]
    else:
        after = [n for n in sorted(chosen) if n > cycle]
        assert listing.numbers(place, 1).tolist() == [after[0] if after else max(chosen)]


@given(st.sets(st.integers(0, 40)), st.integers(-1, 41))
def test_steps(chosen: set[int], cycle: int) -> None:
    numbers = np.array(sorted(chosen), np.int64)
    assert step(numbers, cycle, forward=True) == min((n for n in chosen if n > cycle), default=None)
    assert step(numbers, cycle, forward=False) == max((n for n in chosen if n < cycle), default=None)
