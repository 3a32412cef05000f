"""The files that the instrument writes, read by other people's readers.

References: pyvcd's tokenizer and pywellen for VCD (IEEE 1364), polars and Python's csv module for CSV.
"""

import csv
import io

import numpy as np
import polars as pl
import pytest
import pywellen
from vcd.reader import TokenKind, tokenize

from wrongbit.demo.export import Export, csv_of_samples
from wrongbit.demo.export_vcd import vcd_of_samples
from wrongbit.demo.instrument import Channel, Recording

NAMES = {"A": "ADDR", "D": "DATA", "RD": "RD_n"}


@pytest.fixture
def recording():
    rng = np.random.default_rng(7)
    channels = [Channel("A", bit) for bit in range(16)] + [Channel("D", bit) for bit in range(8)]
    channels.append(Channel("RD", 0))
    samples = np.repeat(rng.integers(0, 1 << 25, 300, np.uint64), rng.integers(1, 5, 300))
    at = np.arange(len(samples), dtype=np.int64) * 50_000
    return Recording(tuple(channels), samples, 50_000, -100, at)


def expected(recording):
    return {name: recording.of(line) for line, name in NAMES.items()}


def test_vcd_by_pyvcd(recording):
    names, kinds, levels, now = {}, {}, {}, None
    seen = {name: [] for name in NAMES.values()}
    for token in tokenize(io.BytesIO(vcd_of_samples(recording, NAMES, "board"))):
        if token.kind is TokenKind.TIMESCALE:
            assert (token.timescale.magnitude, token.timescale.unit.value) == (1, "ns")
        elif token.kind is TokenKind.VAR:
            names[token.var.id_code] = token.var.reference
            kinds[token.var.reference] = token.var.size
        elif token.kind is TokenKind.CHANGE_TIME:
            if now is not None:
                for sample in range(now // 50, token.time_change // 50):
                    assert sample < len(recording)
                    for name in seen:
                        seen[name].append(levels[name])
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            levels[names[token.scalar_change.id_code]] = int(token.scalar_change.value)
        elif token.kind is TokenKind.CHANGE_VECTOR:
            levels[names[token.vector_change.id_code]] = int(token.vector_change.value)
    assert kinds == {"ADDR": 16, "DATA": 8, "RD_n": 1}
    for name, words in expected(recording).items():
        assert seen[name] == words[:-1].tolist(), name


def test_vcd_by_pywellen(recording, tmp_path):
    path = tmp_path / "capture.vcd"
    path.write_bytes(vcd_of_samples(recording, NAMES, "board"))
    variables = {var.name: var.signal for var in pywellen.Waveform(str(path)).all_vars()}
    for name, words in expected(recording).items():
        signal = variables[name]
        got = [int(signal.value_at(sample * 50)) for sample in range(len(recording))]
        assert got == words.tolist(), name


def test_vcd_of_a_period_that_is_no_whole_number_of_nanoseconds(recording):
    odd = Recording(recording.channels, recording.samples, 12_500, 0, recording.at_ps)
    text = vcd_of_samples(odd, NAMES, "board").decode()
    assert "$timescale 1 ps $end" in text
    assert text.splitlines()[-1] == f"#{(len(odd) - 1) * 12_500}"


def test_state_samples_have_no_vcd(recording):
    state = Recording(recording.channels, recording.samples, None, 0, recording.at_ps)
    with pytest.raises(ValueError, match="no times"):
        vcd_of_samples(state, NAMES, "board")


def test_csv_of_buses_by_polars(recording):
    export = Export("p", "timing", "csv", "f", NAMES, time=("Time [ns]", "ns"), sample="Sample")
    table = pl.read_csv(io.BytesIO(csv_of_samples(recording, export)), infer_schema=False)
    assert table.columns == ["Sample", "Time [ns]", "ADDR", "DATA", "RD_n"]
    assert [int(text, 16) for text in table["ADDR"]] == recording.of("A").tolist()
    assert [int(text, 16) for text in table["DATA"]] == recording.of("D").tolist()
    assert {len(text) for text in table["ADDR"]} == {4}
    assert [int(text) for text in table["Time [ns]"]] == [50 * (n - 100) for n in range(len(recording))]
    assert [int(text) for text in table["Sample"]] == list(range(-100, len(recording) - 100))


def test_csv_of_wires_with_decimal_comma(recording):
    export = Export(
        "p",
        "timing",
        "csv",
        "f",
        NAMES,
        by_wire=True,
        separator=";",
        decimal_comma=True,
        time=("t/us", "us"),
        before=("{count} samples, {period}, trigger {trigger}",),
    )
    lines = csv_of_samples(recording, export).decode().splitlines()
    assert lines[0] == f"{len(recording)} samples, 50 ns, trigger 100"
    rows = list(csv.reader(lines[1:], delimiter=";"))
    assert rows[0][:3] == ["t/us", "ADDR0", "ADDR1"] and rows[0][-1] == "RD_n"
    assert rows[1][0] == "-5,000" and rows[104][0] == "0,150"
    address = [sum(int(cell) << bit for bit, cell in enumerate(row[1:17])) for row in rows[1:]]
    assert address == recording.of("A").tolist()


def test_csv_times_in_seconds(recording):
    export = Export("p", "timing", "csv", "f", NAMES, separator="\t", time=("Time/s", "s"))
    rows = list(csv.reader(csv_of_samples(recording, export).decode().splitlines(), delimiter="\t"))
    times = [float(row[0]) for row in rows[1:]]
    assert times == [(n - 100) * 50 / 1e9 for n in range(len(recording))]
