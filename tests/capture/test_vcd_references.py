"""Other people's readers and writer of the same standard give the same levels at the same times.

References: pywellen (reader), vcdvcd (reader), pyvcd (writer, and a tokenizer under a few lines of state).
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import vcdvcd
from hypothesis import given
from hypothesis import strategies as st
from pywellen import pywellen
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize

from wrongbit.capture.capture import Capture
from wrongbit.capture.formats.vcd import open_vcd
from wrongbit.machine.model import Point

POINT = Point(name="bus", mode="timing")
FILES = Path(__file__).parent / "files"

States = dict[int, dict[str, str]]
"""Time = full name of each variable = its digits, x and z as '?'."""


@dataclass(frozen=True)
class Dump:
    """A made-up file: variables as (code, width, name), and steps as (time, [(variable, digits)])."""

    variables: list[tuple[str, int, str]]
    steps: list[tuple[int, list[tuple[int, str]]]]


@st.composite
def dumps(draw: st.DrawFn, code_alphabet: str) -> Dump:
    """Any ids, widths across the 64-bit planes, x and z, moments without change and repeated moments."""
    codes = draw(
        st.lists(st.text(code_alphabet, min_size=1, max_size=4), min_size=1, max_size=8, unique=True)
    )
    widths = [draw(st.sampled_from([1, 1, 1, 2, 4, 7, 8, 16, 33, 64, 65, 130])) for _ in codes]
    variables = [(code, width, f"v{n}_") for n, (code, width) in enumerate(zip(codes, widths, strict=True))]
    steps = []
    now = 0
    for _ in range(draw(st.integers(1, 12))):
        now += draw(st.integers(0, 3) | st.integers(0, 10**12))
        changes = []
        for number in draw(st.lists(st.integers(0, len(codes) - 1), max_size=5)):
            alphabet = draw(st.sampled_from(["01", "01", "01xXzZ"]))
            changes.append((number, draw(st.text(alphabet, min_size=1, max_size=widths[number]))))
        steps.append((now, changes))
    return Dump(variables, steps)


def header_of(dump: Dump) -> str:
    lines = ["$date today $end", "$timescale 1ps $end", "$scope module top $end"]
    for code, width, name in dump.variables:
        lines.append(f"$var wire {width} {code} {name}{f' [{width - 1}:0]' if width > 1 else ''} $end")
    return "\n".join([*lines, "$upscope $end", "$enddefinitions $end", ""])


def plain_text(dump: Dump) -> str:
    """One change a line, as every reader takes it."""
    lines = []
    for time, changes in dump.steps:
        lines.append(f"#{time}")
        for number, digits in changes:
            code, width, _ = dump.variables[number]
            lines.append(f"{digits}{code}" if width == 1 else f"b{digits} {code}")
    return header_of(dump) + "\n".join([*lines, ""])


def extended(digits: str, width: int) -> str:
    fill = digits[0] if digits[0] in "xXzZ" else "0"
    return "".join("?" if digit in "xXzZ" else digit for digit in digits.rjust(width, fill))


def expected(dump: Dump) -> States:
    """The states straight from the made-up changes, without any file."""
    state = {name: "?" * width for _, width, name in dump.variables}
    states: States = {}
    for time, changes in dump.steps:
        for number, digits in changes:
            _, width, name = dump.variables[number]
            state[name] = extended(digits, width)
            states[time] = dict(state)
    return states


def ours(text: str | bytes, names: dict[str, int] | list[str]) -> States:
    """The states by `open_vcd`."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "given.vcd"
        path.write_bytes(text if isinstance(text, bytes) else text.encode("latin-1"))
        source = open_vcd(path, POINT, {})
        states: States = {}
        for chunk in source.chunks():
            for sample, time in enumerate(chunk.times.stamps_ps.tolist()):
                assert time not in states
                states[time] = {name: digits_of(chunk, name.upper(), sample) for name in names}
    return states


def digits_of(chunk: Capture, name: str, sample: int) -> str:
    digits = []
    for position in reversed(chunk.layout.bits_of(name)):
        plane, bit = divmod(position, 64)
        unknown = chunk.unknown[plane]
        if unknown is not None and int(unknown[sample]) >> bit & 1:
            digits.append("?")
        else:
            digits.append(str(int(chunk.planes[plane][sample]) >> bit & 1))
    return "".join(digits)


def held(changes: list[tuple[int, str]], times: list[int], width: int) -> Iterator[str]:
    """A variable's digits at these times from its list of changes; unknown before the first."""
    value, number = "?" * width, 0
    for time in times:
        while number < len(changes) and changes[number][0] <= time:
            value = changes[number][1]
            number += 1
        yield value


printable = "".join(map(chr, range(33, 127)))


@given(dumps(printable))
def test_made_up_changes_come_back(dump):
    names = [name for *_, name in dump.variables]
    states = expected(dump)
    if states:
        assert ours(plain_text(dump), names) == states


@given(dumps(printable.replace("$", "")))
def test_pywellen_sees_the_same_levels(dump):
    states = ours(plain_text(dump), [name for *_, name in dump.variables]) if expected(dump) else {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "given.vcd"
        path.write_text(plain_text(dump), encoding="latin-1")
        wave = pywellen.Waveform(str(path))
        for variable in wave.all_vars():
            width = variable.bitwidth
            changes = [
                (time, extended(f"{value:b}" if isinstance(value, int) else value, width))
                for time, value in variable.signal
            ]
            assert {time for time, _ in changes} <= states.keys()
            theirs = list(held(changes, list(states), width))
            assert [state[variable.name] for state in states.values()] == theirs


@given(dumps(printable.replace("$", "")))
def test_vcdvcd_sees_the_same_levels(dump):
    states = ours(plain_text(dump), [name for *_, name in dump.variables]) if expected(dump) else {}
    data = vcdvcd.VCDVCD(vcd_string=plain_text(dump)).data
    for code, width, name in dump.variables:
        changes = [(time, extended(value, width)) for time, value in data[code].tv]
        theirs = list(held(changes, list(states), width))
        assert [state[name] for state in states.values()] == theirs


def states_by_tokens(raw: bytes) -> States:
    """The states by pyvcd's tokenizer, which knows no lines either."""
    widths: dict[str, tuple[str, int]] = {}
    state: dict[str, str] = {}
    states: States = {}
    now = 0
    for token in tokenize(io.BytesIO(raw)):
        if token.kind is TokenKind.VAR and str(token.var.type_.value) != "real":
            widths[token.var.id_code] = (token.var.reference, token.var.size)
            state[token.var.reference] = "?" * token.var.size
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind in (TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR):
            change = token.scalar_change if token.kind is TokenKind.CHANGE_SCALAR else token.vector_change
            name, width = widths[change.id_code]
            digits = f"{change.value:b}" if isinstance(change.value, int) else change.value
            state[name] = extended(digits, width)
            states[now] = dict(state)
    return states


@st.composite
def untidy_texts(draw: st.DrawFn) -> bytes:
    """The same grammar with any white space, several words a line, comments, keywords and reals."""
    dump = draw(dumps(printable))
    blank = st.sampled_from([" ", "\n", "\r\n", "\t", " \n ", "\n\n", "\v", "\f"])
    words = ["$var real 64 Real! r $end"] if all(code != "Real!" for code, *_ in dump.variables) else []
    header = header_of(dump).replace("$upscope", "".join(words) + "\n$upscope")
    body = []
    for time, changes in dump.steps:
        body.append(f"#{time}")
        for number, digits in changes:
            code, width, _ = dump.variables[number]
            vector = width > 1 or draw(st.booleans())
            body += [f"{draw(st.sampled_from('bB'))}{digits}", code] if vector else [f"{digits}{code}"]
        extra = draw(
            st.sampled_from(
                [[], [], ["$dumpvars"], ["$end"], ["r-1.5e9", "Real!"], ["$comment", "b", "#9", "1! $end"]]
            )
        )
        if words or extra[:1] != ["r-1.5e9"]:
            body += extra
    return (header + "".join(word + draw(blank) for word in body)).encode("latin-1")


@given(untidy_texts())
def test_pyvcd_sees_the_same_levels_in_untidy_text(raw):
    states = states_by_tokens(raw)
    if states:
        assert ours(raw, list(next(iter(states.values())))) == states


@given(st.data())
def test_what_pyvcd_writes_is_read(data):
    """Scopes, initial values, dump tasks and the id allocation of somebody else's writer."""
    widths = data.draw(st.lists(st.sampled_from([1, 1, 3, 8, 16, 64, 100]), min_size=1, max_size=120))
    state = {f"s{n}_": "?" * width for n, width in enumerate(widths)}
    states: States = {0: dict(state)}
    file = io.StringIO()
    with VCDWriter(file, timescale="10 ps", date="today") as writer:
        handles = [
            writer.register_var(f"top.part{n % 3}", f"s{n}_", "wire", size=width)
            for n, width in enumerate(widths)
        ]
        now = 0
        for _ in range(data.draw(st.integers(0, 10))):
            now += data.draw(st.integers(0, 1000))
            for number in data.draw(st.lists(st.integers(0, len(widths) - 1), max_size=6)):
                value = data.draw(st.integers(0, 2 ** widths[number] - 1) | st.sampled_from("xz"))
                digits = extended(value if isinstance(value, str) else f"{value:b}", widths[number])
                writer.change(handles[number], now, value)
                state[f"s{number}_"] = digits
                states[10 * now] = dict(state)
    read = ours(file.getvalue(), list(state))
    assert read == {time: states[time] for time in read}
    # It leaves out changes to the value that a variable has already: such a moment may be missing.
    for time in states.keys() - read.keys():
        assert states[time] == states[max(moment for moment in states if moment < time)]


@pytest.mark.parametrize(
    "name",
    ["serial_data_1ps.vcd", "dump_tasks.vcd", "crlf_tabs_and_crowded_lines.vcd"],
)
def test_hand_made_files_against_pyvcd(name):
    raw = (FILES / name).read_bytes()
    states = states_by_tokens(raw)
    scale: dict[str, int] = {"serial_data_1ps.vcd": 1, "dump_tasks.vcd": 10**3}
    factor = scale.get(name, 10**6)
    names = list(next(iter(states.values())))
    assert ours(raw, names) == {time * factor: state for time, state in states.items()}
