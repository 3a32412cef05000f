"""Every reader of something from outside, as one function of bytes, with the files that mutation starts from.

A reader keeps its promise when it returns or raises a `WrongbitError` that has a message and a remedy, within
a time and a memory that do not depend on what the file claims. How a reader is called (block size, number
base, which signals are needed) follows from the bytes themselves, so that an input alone reproduces a run.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from wrongbit.capture.formats import read_cycle_rows
from wrongbit.capture.formats.csv import open_csv
from wrongbit.capture.formats.vcd import open_vcd
from wrongbit.capture.source import SampleSource
from wrongbit.capture.store import _seal, open_stored
from wrongbit.errors import WrongbitError
from wrongbit.image.formats import FORMATS, FormatName, ListingOptions
from wrongbit.machine.model import Point

TESTS = Path(__file__).resolve().parent.parent
SEEDS = TESTS / "fuzz" / "seeds"
CRASHERS = TESTS / "fuzz" / "crashers"

WIDTHS = {"A": 16, "D": 8, "RD": 1}
RADICES = (16, 16, 16, 16, 16, 2, 8, 10)
_LISTED = (16, 16, 16, 16, 16, 8, 8, 10)


class BrokenPromiseError(Exception):
    """A reader returned or raised something that it promises not to."""


@dataclass(frozen=True)
class Reader:
    """A reader under fire.

    Args:
        name: Also the name of its folders of seeds and crashers.
        read: Reads a file with these bytes; raises nothing but `WrongbitError`.
        own_seeds: More files to start from, besides ``seeds/<name>``.
        words: Pieces that mean something to this format, for mutation.
        mend: Makes counts and checksums right again, so that damage gets past them.
    """

    name: str
    read: Callable[[bytes], None]
    own_seeds: Callable[[], list[bytes]]
    words: tuple[bytes, ...]
    mend: Callable[[bytes], bytes] | None = None

    def seeds(self) -> list[bytes]:
        """All inputs to start from, found crashers among them."""
        return [*self.own_seeds(), *files_in(SEEDS / self.name), *files_in(CRASHERS / self.name)]

    def check(self, data: bytes) -> WrongbitError | None:
        """Read; give the error for a person, if there was one.

        Raises:
            Exception: Whatever a reader must never raise.
        """
        try:
            self.read(data)
        except WrongbitError as error:
            if not error.message or not error.remedy:
                raise BrokenPromiseError(f"the error has no message or no remedy: {error!r}") from error
            return error
        return None


def files_in(folder: Path) -> list[bytes]:
    return [path.read_bytes() for path in sorted(folder.iterdir())] if folder.is_dir() else []


# -- a file to read from -----------------------------------------------------------------------------------


@cache
def _folder(process: int) -> Path:
    """A folder of this process, in memory where the system has such a place."""
    del process
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="wrongbit-fuzz-", dir=memory if os.access(memory, os.W_OK) else None))


@contextmanager
def _file(data: bytes, name: str) -> Iterator[Path]:
    path = _folder(os.getpid()) / name
    path.write_bytes(data)
    yield path


def remove_folder() -> None:
    """Remove what the inputs of this process were written to."""
    shutil.rmtree(_folder(os.getpid()), ignore_errors=True)
    _folder.cache_clear()


def _choice(data: bytes) -> int:
    """A number that follows from the bytes, for how the reader is called."""
    return zlib.crc32(data)


# -- captures ----------------------------------------------------------------------------------------------


def _drain(source: SampleSource) -> None:
    """Read all chunks, and check what every source of samples promises."""
    number = None
    for chunk in source.chunks():
        number = chunk.first_sample if number is None else number
        if chunk.first_sample != number or not len(chunk):
            raise BrokenPromiseError(f"chunk at {chunk.first_sample}, {number} was expected")
        number += len(chunk)
        for plane, unknown in zip(chunk.planes, chunk.unknown, strict=True):
            if unknown is not None and (plane & unknown).any():
                raise BrokenPromiseError("a level is both set and not known")
        stamps = chunk.times.stamps_ps
        if stamps is not None and (np.diff(stamps) < 0).any():
            raise BrokenPromiseError("time goes back")
    if number is None:
        raise BrokenPromiseError("a capture without a sample was not refused")
    list(source.notes)


def _read_csv(data: bytes) -> None:
    choice = _choice(data)
    point = Point(name="bus", mode="timing" if choice & 8 else "state", radix=RADICES[choice & 7])
    block = (1 << 20, 1 << 20, 1 << 20, 100)[choice >> 4 & 3]
    with _file(data, "capture.csv") as path:
        _drain(open_csv(path, point, WIDTHS if choice & 64 else {}, block=block, chunk_rows=50))


def _read_vcd(data: bytes) -> None:
    choice = _choice(data)
    point = Point(name="bus", mode="timing" if choice & 1 else "state")
    with _file(data, "capture.vcd") as path:
        _drain(open_vcd(path, point, WIDTHS if choice & 2 else {}))


def _read_cycles(name: str) -> Callable[[bytes], None]:
    def read(data: bytes) -> None:
        choice = _choice(data)
        point = Point(name="screen", mode="cycles", radix=RADICES[choice & 7])
        widths = {"address": 16, "word": 8 if choice & 8 else 16} if choice & 16 else {}
        with _file(data, name) as path:
            rows = read_cycle_rows(path, point, widths)
        if not len(rows.address) or (rows.word & ~rows.known).any():
            raise BrokenPromiseError("no cycle, or a bit both set and not known")

    return read


def _read_store(data: bytes) -> None:
    with _file(data, "capture.parquet") as path:
        _drain(open_stored(path))


def _read_description(data: bytes) -> None:
    """A packed capture that is whole but for what its metadata say."""
    import polars

    from wrongbit.capture.store import KEY

    names = [*(f"{kind}_{plane}" for plane in range(2) for kind in ("plane", "unknown")), "time_ps"]
    schema = dict.fromkeys(names[:4], polars.UInt64)
    schema |= dict.fromkeys(("time_ps", "origin_ps", "period_ps"), polars.Int64)
    values = {"plane_0": [1, 0, 1], "plane_1": [0, 0, 0], "time_ps": [0, 5, 7]}
    frame = polars.DataFrame({name: values.get(name, [None] * 3) for name in schema}, schema=schema)
    with _file(b"", "capture.parquet") as path:
        frame.write_parquet(path, metadata={KEY: data.decode(errors="replace")})
        _seal(path)  # what is tried is the description, so that the pages must be let through
        _drain(open_stored(path))


# -- contents ----------------------------------------------------------------------------------------------


def _read_image(name: FormatName) -> Callable[[bytes], None]:
    def read(data: bytes) -> None:
        choice = _choice(data)
        bits = (None, 8, 8, 16)[choice & 3]
        options = ListingOptions(_LISTED[choice >> 2 & 7], _LISTED[choice >> 5 & 7], bits)
        FORMATS[name].recognise(data)
        contents, step = FORMATS[name].read(data, "image", options)
        if step < 1 or not len(contents) or (contents.words & ~contents.known).any():
            raise BrokenPromiseError("no word, or a bit both set and not known")

    return read


# -- descriptions ------------------------------------------------------------------------------------------


def _mend_intel_hex(data: bytes) -> bytes:
    """Records with an even number of digits get their count and their checksum."""

    def record(line: bytes) -> bytes:
        raw = _digits(line[1:])
        if raw is None or len(raw) < 5 or len(raw) > 260 or line[:1] != b":":
            return line
        body = bytes((len(raw) - 5,)) + raw[1:-1]
        return b":%s" % (body + bytes((-sum(body) & 0xFF,))).hex().upper().encode()

    return b"\n".join(map(record, data.splitlines()))


def _mend_s_record(data: bytes) -> bytes:
    def record(line: bytes) -> bytes:
        raw = _digits(line[2:])
        if raw is None or len(raw) < 3 or len(raw) > 256 or line[:1] != b"S":
            return line
        body = bytes((len(raw) - 1,)) + raw[1:-1]
        return line[:2] + (body + bytes((~sum(body) & 0xFF,))).hex().upper().encode()

    return b"\n".join(map(record, data.splitlines()))


def _digits(text: bytes) -> bytes | None:
    try:
        return bytes.fromhex(text.decode("ascii"))
    except ValueError:
        return None


def _read_machine(data: bytes) -> None:
    from wrongbit.machine.load import load_machine

    with _file(data, "machine.toml") as path:
        load_machine(path, require_files=False)


def _read_table(data: bytes) -> None:
    from wrongbit.instructions.table import load_table

    with _file(data, "table.toml") as path:
        table = load_table(path)
    for row in table.rows[:20]:  # what was accepted can be used
        words = [unit.value for unit in row.units]
        table.decode(lambda address, words=words: words[address] if address < len(words) else 0, 0)


@cache
def _case_board(process: int) -> tuple[Path, object, object]:
    """A folder of a demo machine, its structure and its memory maps."""
    del process
    from wrongbit.compare.build import build_memory_map
    from wrongbit.demo.machines import machine_named
    from wrongbit.diagnose.structure import Structure
    from wrongbit.machine.load import load_machine

    folder = _folder(os.getpid()) / "case"
    folder.mkdir(exist_ok=True)
    for name, data in machine_named("fellgate").build().files.items():
        (folder / ("machine.toml" if name == "fellgate.toml" else name)).write_bytes(data)
    (folder / "u1.csv").write_text("No;Address;Data;Status\n")
    machine = load_machine(folder / "machine.toml")
    maps = [build_memory_map(machine, each, folder) for each in machine.processor]
    return folder, Structure(machine), maps


def _read_case(data: bytes) -> None:
    from wrongbit.diagnose.case import read_case

    folder, structure, maps = _case_board(os.getpid())
    (folder / "case.toml").write_bytes(data)
    read_case(folder, structure, lambda: maps)  # type: ignore[arg-type, return-value]


# -- seeds and words ---------------------------------------------------------------------------------------


def _capture_files(*patterns: str) -> Callable[[], list[bytes]]:
    def found() -> list[bytes]:
        folder = TESTS / "capture" / "files"
        return [path.read_bytes() for pattern in patterns for path in sorted(folder.glob(pattern))]

    return found


def _sample_files() -> list[bytes]:
    paths = sorted((TESTS / "capture" / "files").glob("*.csv"))
    return [path.read_bytes() for path in paths if not path.name.startswith("cycles")]


def _templates() -> list[bytes]:
    """The templates, without their comments: they only slow mutation down."""
    from wrongbit.machine.templates import read_template, template_names

    return [_bare(read_template(name)) for name in template_names()]


def _tables() -> list[bytes]:
    from wrongbit.instructions.table import PACKAGED

    return [_bare(PACKAGED.joinpath(f"{name}.toml").read_text()) for name in ("s16", "8085")]


def _bare(text: str) -> bytes:
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    return "\n".join(lines).encode() + b"\n"


def _none() -> list[bytes]:
    return []


_NUMBERS = (b"0", b"1", b"-1", b"64", b"65536", b"4294967296", b"9223372036854775807", b"9" * 20, b"9" * 400)
_CELLS = (
    *(b",", b";", b"\t", b"\n", b"\r\n", b'"', b"x", b"z", b"-", b".", b" ", b"#", b"\xb5", b"\xff", b"\x00"),
    *(b"0x", b"h", b"ns", b"[s]", b"Time", b"time [ns]", b"A", b"A15", b"A[15:0]", b"D7", b"D[7:0]", b"RD"),
    *(b"Sample", b"nan", b"inf", b"1e9", b"1e999", b"-1e-99", b"1.5", b"0,5", b"FFFF", b"A[63:0]", b"A_1"),
    *(b"A0..63", b"\xef\xbb\xbf", b"\xff\xfe", b"\x1a", b"\x1f\x8b", b"0 ns", b"1 us"),
)
_VCD = (
    *(b"$var", b"$end", b"$scope", b"$upscope", b"$timescale", b"$enddefinitions", b"$comment", b"$dumpvars"),
    *(b"wire", b"real", b"b", b"bx", b"r1.5", b"#", b"!", b'"', b"x", b"z", b"1", b"0", b"\n", b" ", b"\t"),
    *(
        b"[7:0]",
        b"[0:7]",
        b"[999999999]",
        b"[-5:2]",
        b"1 fs",
        b"100 s",
        b"module",
        b"top",
        b"A",
        b"D3",
        b"\\",
    ),
    *(b"$dumpoff", b"$date", b"\xef\xbb\xbf", b"#99999999999999999999", b"65536", b"\xff"),
)
_HEX = (
    *(b":", b"S", b"S1", b"S2", b"S3", b"S5", b"S7", b"S9", b"00", b"01", b"02", b"04", b"FF", b"\n", b"\r"),
    *(b":00000001FF", b"S9030000FC", b":02000004FFFFFC", b":020000021000EC", b" ", b"\x00", b"\x1a"),
)
_LISTING = (
    *(b"0000", b"0010", b"FFFFFFFF", b"FFFFFFFFFFFFFFFF", b"177777", b"A9", b"12-34", b":", b";", b"*", b"/"),
    *(b"\t", b"  ", b"\n", b"\r\n", b"\f", b"$", b"0x", b"h", b"X?", b"--", b"ORG", b"LDA", b"\xe9", b"\x00"),
    *(b"\xef\xbb\xbf", b"\xff\xfe", b"#", b"255", b"1:", b"9" * 60),
)
_TOML = (
    *(
        b"[",
        b"]",
        b"[[",
        b"]]",
        b"{",
        b"}",
        b"=",
        b'"',
        b"'",
        b'"""',
        b"#",
        b"\n",
        b",",
        b".",
        b"true",
        b"nan",
    ),
    *(
        b"inf",
        b"0x10",
        b"0o17",
        b"1e308",
        b"1979-05-27",
        b"07:32:00",
        b"[[chip]]",
        b"[[processor]]",
        b"\\u0041",
    ),
    *(b"[[point]]", b"[[part]]", b"[[path]]", b"[[rail]]", b"[[clock]]", b"[[input]]", b"[machine]", b"\xff"),
    *(b"name", b"words", b"bits", b"lane", b"base", b"size", b"recipe", b"signals", b'"0..7"', b'"15..0"'),
    *(
        b'"5 V',
        b'"1 MHz"',
        b'"450 ns"',
        b"'1e999 s'",
        b'"0..999999999"',
        b'"D.0..7"',
        b'"RD ends"',
        b"{}",
        b"[]",
    ),
    b"[" * 2000,
    b"{a=" * 500,
    b"a." * 1500,
)
_ROWS = (
    *(
        b"|",
        b"<n>",
        b"<n:2>",
        b"<n:4>",
        b"{n}",
        b"{n:d}",
        b"{n:+}",
        b"{n:x}",
        b"{target}",
        b"jump",
        b"branch",
    ),
    *(
        b"call",
        b"stop",
        b"next",
        b"skip",
        b"return",
        b"?",
        b"0x",
        b"-",
        b"4/7+1",
        b"r n",
        b"w ?",
        b"in n",
        b"*",
    ),
    *(b"bank^1", b"+", b"signed n", b"at n", b"at_in_page n", b"page 8", b"page 999999999", b"here", b","),
    *(b"unit_bits", b"address_bits", b"base", b"rows", b"names", b"at " * 2000, b"n + " * 500, b"n * 999999"),
)
_JSON = (
    *(
        b"{",
        b"}",
        b"[",
        b"]",
        b":",
        b",",
        b'"',
        b"null",
        b"true",
        b"NaN",
        b"-1",
        b"1e400",
        b'"signals"',
        b"0.5",
    ),
    *(b'"buses"', b'"mode"', b'"block_rows"', b'"checksums"', b'"notes"', b'"state"', b"128", b"[" * 3000),
)
_CASE = (
    b"[[capture]]",
    b"[[measurement]]",
    b"[[reading]]",
    b"chip",
    b"file",
    b"..",
    b"/",
    b"\\u0000",
    b"line",
    b"D99",
)

READERS: dict[str, Reader] = {
    reader.name: reader
    for reader in (
        Reader("csv", _read_csv, _sample_files, _CELLS + _NUMBERS),
        Reader("vcd", _read_vcd, _capture_files("*.vcd"), _VCD + _NUMBERS),
        Reader("cycle-rows", _read_cycles("cycles.csv"), _capture_files("cycles*.csv"), _CELLS + _NUMBERS),
        Reader(
            "typed", _read_cycles("typed.txt"), _capture_files("typed*.txt"), _CELLS + _LISTING + _NUMBERS
        ),
        Reader("parquet", _read_store, _none, _NUMBERS),
        Reader("parquet-description", _read_description, _none, _JSON + _NUMBERS),
        Reader("intel-hex", _read_image("intel-hex"), _none, _HEX + _NUMBERS, _mend_intel_hex),
        Reader("s-record", _read_image("s-record"), _none, _HEX + _NUMBERS, _mend_s_record),
        Reader("listing", _read_image("listing"), _none, _LISTING + _NUMBERS),
        Reader("binary", _read_image("binary"), _none, ()),
        Reader("machine", _read_machine, _templates, _TOML + _NUMBERS),
        Reader("table", _read_table, _tables, _TOML + _ROWS + _NUMBERS),
        Reader("case", _read_case, _none, _TOML + _CASE + _NUMBERS),
    )
}
"""All readers of files, by name."""
