"""Readers under fire, in small: every seed, everything that ever broke one, and a few hundred damaged files.

The long campaign is ``tools/fuzz_readers.py``; what it finds comes back here as a file in ``crashers``.
"""

from __future__ import annotations

import json
import struct
import tempfile
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import tomli_w
from hypothesis import given, settings

from fuzz.mutation import Mutator, answer_of
from fuzz.readers import CRASHERS, READERS, SEEDS, BrokenPromiseError, Reader, remove_folder
from strategies import CycleTable, captures, case_tables, cycle_tables, instruction_tables
from wrongbit.capture.capture import Capture
from wrongbit.capture.formats import read_cycle_rows
from wrongbit.capture.store import open_stored, store_capture
from wrongbit.errors import ImageError, WrongbitError
from wrongbit.image.formats import intel_hex, listing, s_record
from wrongbit.image.formats.listing import ListingOptions
from wrongbit.instructions.table import read_table
from wrongbit.machine.model import Point

KEPT = [
    pytest.param(READERS[folder.name], path, id=f"{folder.name}-{path.name}")
    for root in (SEEDS, CRASHERS)
    for folder in sorted(root.iterdir())
    for path in sorted(folder.iterdir())
]


@pytest.fixture(autouse=True, scope="module")
def _tidy() -> Iterator[None]:
    yield
    remove_folder()


@pytest.mark.parametrize("reader, path", KEPT)
def test_kept_files_are_read_or_refused(reader: Reader, path: Path) -> None:
    reader.check(path.read_bytes())


@pytest.mark.parametrize("reader", READERS.values(), ids=lambda reader: reader.name)
def test_every_reader_has_a_file_that_it_reads(reader: Reader) -> None:
    """Mutation that begins with nothing right never comes far."""
    assert any(reader.check(seed) is None for seed in reader.seeds())


@pytest.mark.parametrize("reader", READERS.values(), ids=lambda reader: reader.name)
def test_damaged_files_are_read_or_refused(reader: Reader) -> None:
    mutator = Mutator(reader.seeds(), reader.words, 20, reader.mend)
    answers = set()
    for _ in range(300):
        answer = answer_of(reader.check(mutator.next()))
        mutator.learn(answer)
        answers.add(answer)
    assert "read" in answers and len(answers) > 1


def test_an_error_without_a_remedy_is_a_broken_promise() -> None:
    def refuse(data: bytes) -> None:
        raise WrongbitError("no")

    with pytest.raises(BrokenPromiseError):
        Reader("x", refuse, list, ()).check(b"")


# -- small files that claim much ---------------------------------------------------------------------------

CLAIMS = {
    "vcd": [
        b"$var wire 1 ! A [999999999] $end $enddefinitions $end #0 1! #5 0!\n",
        b"$var wire 65536 ! A $end $enddefinitions $end #0 b1 ! #5 b0 !\n",
        b"".join(b"$var wire 65536 %d A%d $end\n" % (n, n) for n in range(900))
        + b"$enddefinitions $end\n#0\n",
        b"".join(b"$var wire 1 a%d A%d [65535] $end\n" % (n, n) for n in range(900))
        + b"$enddefinitions $end #0 1a1\n",
    ],
    "intel-hex": [b":0100000000FF\n:020000040FFFEC\n:0100000000FF\n:00000001FF\n"],
    "s-record": [b"S30600000000" + b"01F8\nS3060FFFFFFF01EB\nS70500000000FA\n"],
    "listing": [b"00000000 C3\n0FFFFFFF 3E\n", b"0000 " + b"00 " * 60 + b"\n03FFFFFF 11\n"],
    "csv": [
        b"\n" * 300_000 + b"A\n1\n",
        b"A" * 300_000,
        b"\xff\xfe\xa0\x00",
        b"A," * 20000 + b"\n" + b"0," * 20000 + b"\n",
        b"time,A\n" + b"1e999999999,0\n" * 3,
    ],
    "table": [b"x = " + b"[" * 100_000, b"x = " + b"9" * 100_000],
    "case": [b"x = " + b"[" * 100_000, b"x = " + b"9" * 100_000],
    "machine": [b"x = " + b"[" * 100_000, b"x = " + b"9" * 100_000],
}


@pytest.mark.parametrize(
    "reader, data",
    [pytest.param(READERS[name], data, id=name) for name, each in CLAIMS.items() for data in each],
)
def test_a_claim_alone_costs_no_memory(reader: Reader, data: bytes) -> None:
    """Half a gigabyte is far more than any of these may use, and far less than what it claims."""
    tracemalloc.start()
    try:
        reader.check(data)
        assert tracemalloc.get_traced_memory()[1] < 1 << 29
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("gap, fits", [((1 << 24) - 2, True), ((1 << 24) - 1, False)])
def test_a_gap_of_sixteen_mebi_is_the_widest(gap: int, fits: bool) -> None:
    def record(kind: int, offset: int, payload: bytes) -> str:
        body = struct.pack(">BHB", len(payload), offset, kind) + payload
        return f":{body.hex()}{-sum(body) & 0xFF:02x}\n"

    last = gap + 1
    text = record(0, 0, b"\x01") + record(4, 0, (last >> 16).to_bytes(2, "big"))
    text += record(0, last & 0xFFFF, b"\x02") + record(1, 0, b"")
    if fits:
        assert len(intel_hex.read(text.encode(), "x")) == last + 1
    else:
        with pytest.raises(ImageError, match="more than 16 Mi addresses and give few of them"):
            intel_hex.read(text.encode(), "x")


def description(**changes: object) -> bytes:
    (seed,) = READERS["parquet-description"].seeds()[:1]
    return json.dumps(json.loads(seed) | changes).encode()


@pytest.mark.parametrize(
    "changes",
    [
        {"signals": {"RD": 10**18}},
        {"signals": {"RD": -1}},
        {"signals": {"RD": 1.5}},
        {"buses": {"A": [10**12]}},
        {"buses": {"A": 5}},
        {"mode": "cycles"},
        {"block_rows": 0},
        {"block_rows": 1 << 40},
        {"first_sample": -1},
        {"first_sample": 1 << 63},
        {"checksums": None},
        {"notes": [1]},
    ],
    ids=str,
)
def test_a_packed_capture_that_claims_the_impossible(changes: dict[str, object]) -> None:
    reader = READERS["parquet-description"]
    assert reader.check(description()) is None
    error = reader.check(description(**changes))
    assert error is not None and "does not fit its columns" in error.message


# -- made-up files: what was written is what is read -------------------------------------------------------


@settings(max_examples=60)
@given(captures())
def test_a_packed_capture_comes_back(capture: Capture) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.parquet"
        store_capture([capture], path)
        (back,) = open_stored(path).chunks()
    assert back.layout == capture.layout
    assert (back.mode, back.change_list, back.first_sample) == (
        capture.mode,
        capture.change_list,
        capture.first_sample,
    )
    assert (back.source, back.notes) == (capture.source, capture.notes)
    for new, old in zip(back.planes, capture.planes, strict=True):
        assert (new == old).all()
    for new_doubt, old_doubt in zip(back.unknown, capture.unknown, strict=True):
        none = np.zeros(len(capture), np.uint64)
        assert (
            (none if new_doubt is None else new_doubt) == (none if old_doubt is None else old_doubt)
        ).all()
    index = np.arange(len(capture))
    new_times, old_times = back.times.at(index), capture.times.at(index)
    assert (new_times is None) == (old_times is None)
    assert new_times is None or old_times is None or (new_times == old_times).all()


@settings(max_examples=150)
@given(cycle_tables())
def test_a_table_of_cycles_is_read(table: CycleTable) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cycles.csv"
        path.write_bytes(table.text.encode())
        rows = read_cycle_rows(path, Point(name="screen", mode="cycles"), {"address": 16, "word": 8})
    assert list(zip(rows.address.tolist(), rows.word.tolist(), rows.kind.tolist(), strict=True)) == list(
        table.cycles
    )


@settings(max_examples=100)
@given(instruction_tables())
def test_an_instruction_table_decodes_what_it_lists(made: tuple[str, dict[int, str]]) -> None:
    text, names = made
    table = read_table(text, "made.toml")
    for code in range(256):
        found = table.decode([code].__getitem__, 0)
        assert found is not None
        assert found.text == names.get(code, f"? {code:02X}")


@settings(max_examples=200)
@given(case_tables())
def test_a_case_is_read_or_refused(table: dict[str, object]) -> None:
    READERS["case"].check(tomli_w.dumps(table).encode())


# -- what mends checksums is right: bytes through it are what the writers of the standard give -------------


@pytest.mark.parametrize("name, write", [("intel-hex", intel_hex.write), ("s-record", s_record.write)])
def test_mended_records_are_read(name: str, write: object) -> None:
    reader = READERS[name]
    assert reader.mend is not None
    for seed in reader.seeds()[:2]:
        lines = seed.splitlines()
        assert reader.check(b"\n".join(line[:-2] + b"00" for line in lines)) is not None
        mended = reader.mend(b"\n".join(line[:-2] + b"00" for line in lines))
        assert mended == b"\n".join(lines)


def test_mutation_is_the_same_every_time() -> None:
    first, second = (Mutator([b"one,two\n", b"3,4\n"], [b"x"], 5) for _ in range(2))
    assert [first.next() for _ in range(50)] == [second.next() for _ in range(50)]


def test_a_listing_that_gives_few_of_many_words_is_refused() -> None:
    with pytest.raises(ImageError, match="only 2 of them are given"):
        listing.read(b"00000000 C3\n02FFFFFF 3E\n", "x", ListingOptions(word_bits=8))
