"""Files that are brought in: where they wait, what each seems to be, and what would become of it.

A file that comes from the browser is written piece by piece into the case's own ``derived`` folder, so that a
big one needs no memory and one that is given up leaves nothing in the case. Nothing here adds to the case.
"""

from __future__ import annotations

import shutil
import time
import uuid
import zlib
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Literal

from wrongbit.bus.cycles import Cycles
from wrongbit.bus.rebuild import Rebuilder
from wrongbit.bus.recipes import bus_widths
from wrongbit.bus.rows import cycles_from_rows, row_widths, with_tied_lines
from wrongbit.capture.formats import open_samples, read_cycle_rows
from wrongbit.capture.formats.beginning import Beginning, read_beginning
from wrongbit.case.names import safe_name
from wrongbit.casework.accept import whole_lines
from wrongbit.errors import InputError, WrongbitError
from wrongbit.image.formats import intel_hex, s_record
from wrongbit.job import Comparison, Job, compare_cycles
from wrongbit.machine.model import Chip, Machine, Point

What = Literal["capture", "reading", "image", "listing", "twin"]
WHATS: dict[What, str] = {
    "capture": "a capture",
    "reading": "a reading of a chip",
    "image": "an image: what a chip should hold",
    "listing": "a listing: what is at which address",
    "twin": "a reading of the same chip of another machine",
}
"""What a file can be."""

LOOK, GLANCE = 1 << 18, 1 << 15
"""Bytes at the beginning that are shown, and those by which all probe points are tried."""

SHOWN_CYCLES = 8

STALE_SECONDS = 24 * 3600

_PACKED = {
    b"\x1f\x8b": "gzip",
    b"PK\x03\x04": "zip",
    b"PK\x05\x06": "zip",
    b"\xfd7zXZ": "xz",
    b"BZh": "bzip2",
    b"7z\xbc\xaf": "7z",
    b"Rar!": "rar",
    b"\x28\xb5\x2f\xfd": "zstd",
}


# -- where they wait ----------------------------------------------------------------------------------------


def waiting_place(derived: Callable[[str], Path], name: str) -> Path:
    """A new place for a file that comes in; its name is made harmless.

    Args:
        derived: `wrongbit.case.folder.Case.derived`.
        name: As the browser gives it.
    """
    return derived(f"incoming/{uuid.uuid4().hex}/{safe_name(name)}")


def drop(path: Path) -> None:
    """Take away a file that waited."""
    shutil.rmtree(path.parent, ignore_errors=True)


def drop_stale(root: Path) -> None:
    """Take away what waited longer than a day: its browser is gone.

    Args:
        root: The folder in which files wait.
    """
    with suppress(OSError):
        for each in list(root.iterdir()):
            if time.time() - each.stat().st_mtime > STALE_SECONDS:
                shutil.rmtree(each, ignore_errors=True)


# -- what each seems to be ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Guess:
    """What a file seems to be.

    Args:
        what: The likeliest.
        why: The reason, in a sentence.
        point: For a capture: the probe point that fits best; empty without any.
        chip: For what belongs to a chip: which; empty where nothing tells.
    """

    what: What
    why: str
    point: str = ""
    chip: str = ""


def guess(machine: Machine, path: Path, name: str, job_of: Callable[[str], Job]) -> Guess:
    """Propose what a file is, from its contents first and its name second.

    Args:
        machine: The machine.
        path: Where the file waits.
        name: As the person calls it.
        job_of: The machine seen from a probe point.

    Raises:
        InputError: It is empty or packed, or cannot be read.
    """
    head, size = _head(path, name)
    chip = _chip_of(machine, size, name)
    lines = head[: head.rfind(b"\n") + 1] or head
    for format_, title in ((intel_hex, "Intel HEX"), (s_record, "S-records")):
        if format_.recognise(lines)[0]:
            return Guess("reading", f"It is {title}.", chip=chip)
    if head.startswith(b"PAR1") or head.lstrip(b"\xef\xbb\xbf \r\n\t").startswith(b"$"):
        return _capture_guess(machine, path, name, job_of, "It holds changes of signals.")
    if _is_binary(head):
        right = any(size == _bytes_of(each) for each in machine.chip if each.kind == "rom")
        why = "It is binary, and as long as the chip." if right else "It is binary."
        return Guess("reading", why, chip=chip)
    found = _capture_guess(machine, path, name, job_of, "It makes bus cycles at this probe point.")
    if found.point:
        return found
    if _has_columns(head):
        return replace(found, why="It is a table, but no probe point fits its columns yet.")
    return Guess("listing", "It is text, and no table of signals.", chip=chip)


def _head(path: Path, name: str) -> tuple[bytes, int]:
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(LOOK)
    except OSError as error:
        raise InputError(
            f"The file cannot be read: {error.strerror}.", "Bring it in again.", file=name
        ) from None
    if not head:
        raise InputError("The file is empty.", "Export it again.", file=name)
    for magic, kind in _PACKED.items():
        if head.startswith(magic):
            raise InputError(
                f"The file is packed ({kind}).",
                "Unpack it, and bring in what is in it; nothing is ever unpacked here.",
                file=name,
            )
    return head, size


def _is_binary(head: bytes) -> bool:
    """Whether there are bytes that no text has; UTF-16 with its mark is text."""
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return False
    return any(byte in head for byte in (*range(9), *range(14, 26)))


def _has_columns(head: bytes) -> bool:
    """Whether lines have the same number of some separator, below what an instrument wrote above them."""
    lines = [line for line in head[:20_000].splitlines()[1:40] if line.strip()][:-1][-20:]
    return bool(lines) and any(
        all(line.count(sign) == lines[-1].count(sign) >= 2 for line in lines) for sign in (b",", b";", b"\t")
    )


def _bytes_of(chip: Chip) -> int:
    return chip.words * max(chip.bits // 8, 1)


def _chip_of(machine: Machine, size: int, name: str) -> str:
    """The ROM that a file is of: by its name, else by its size, else the first."""
    roms = [chip for chip in machine.chip if chip.kind == "rom"]
    folded = name.casefold()
    named = [chip.name for chip in roms if _is_named(folded, chip.name.casefold())]
    fitting = [chip.name for chip in roms if _bytes_of(chip) == size]
    both = [each for each in named if each in fitting]
    every = [chip.name for chip in roms]
    return next((found[0] for found in (both, named, fitting, every) if found), "")


def _is_named(name: str, part: str) -> bool:
    """Whether a file's name has a part's as a word: u1 is not in u11.

    >>> _is_named("u11-pass1.bin", "u1"), _is_named("pass_u1.bin", "u1")
    (False, True)
    """
    place = name.find(part)
    while place >= 0:
        before, after = name[:place][-1:], name[place + len(part) :][:1]
        if not before.isalnum() and not after.isdigit():
            return True
        place = name.find(part, place + 1)
    return False


def _capture_guess(machine: Machine, path: Path, name: str, job_of: Callable[[str], Job], why: str) -> Guess:
    """The probe point whose name the file has, else the one at which most words are right."""
    best: tuple[tuple[bool, float, float], str] | None = None
    for point in machine.point:
        preview = look(job_of(point.name), path, point, GLANCE)
        if preview.problem is None and preview.cycles:
            named = _is_named(name.casefold(), point.name.casefold())
            score = (named, preview.agreement, preview.carried)
            if best is None or score > best[0]:
                best = score, point.name
    return Guess("capture", why, point="" if best is None else best[1])


# -- what would become of a capture -------------------------------------------------------------------------


@dataclass(frozen=True)
class Preview:
    """The beginning of a capture as it would be read at a probe point.

    Args:
        beginning: Its columns and first rows; None for VCD, typed text and packed captures.
        comparison: Its first cycles with their verdicts; None where there are none.
        carried: Share of the signals that the processor's bus needs which the capture carries.
        notes: What the reader wants a person to know.
        problem: Why it cannot be read.
    """

    beginning: Beginning | None
    comparison: Comparison | None = None
    carried: float = 0.0
    notes: tuple[str, ...] = field(default=())
    problem: WrongbitError | None = None

    @property
    def cycles(self) -> int:
        """Number of cycles in the beginning."""
        return 0 if self.comparison is None else len(self.comparison.cycles)

    @property
    def agreement(self) -> float:
        """Share of its judged cycles that agree; 0 where none could be judged."""
        if self.comparison is None:
            return 0.0
        judged = self.comparison.summary.agrees + self.comparison.summary.differs
        return self.comparison.summary.agrees / judged if judged else 0.0


def look(job: Job, path: Path, point: Point, size: int = LOOK) -> Preview:
    """Read the beginning of a capture; in constant memory, however long it is.

    Args:
        job: The machine, seen from the probe point.
        path: Where the file waits.
        point: The probe point, perhaps with other columns than the machine file has.
        size: Bytes to look at.
    """
    widths = bus_widths(job.processor)
    beginning = None
    try:
        short = _shortened(path, size)
        with suppress(WrongbitError):
            beginning = read_beginning(short, point, widths)
        cycles, notes, carried = _first_cycles(job, short, point, widths)
        comparison = compare_cycles(replace(job, point=point), cycles, notes) if len(cycles) else None
    except WrongbitError as error:
        if error.file is not None:
            error.file = path.name
        return Preview(beginning, problem=error)
    except OSError as error:
        problem = InputError(f"The file cannot be read: {error.strerror}.", file=path.name)
        return Preview(beginning, problem=problem)
    return Preview(beginning, comparison, carried, notes)


def _first_cycles(
    job: Job, path: Path, point: Point, widths: Mapping[str, int]
) -> tuple[Cycles, tuple[str, ...], float]:
    if point.mode == "cycles":
        rows = read_cycle_rows(path, point, row_widths(job.processor))
        return with_tied_lines(cycles_from_rows(rows, job.processor), point), rows.notes, 1.0
    source = open_samples(path, point, widths)
    buses, signals = source.layout.buses, source.layout.signals
    needed = [bit for name in widths for bit in buses.get(name, (signals.get(name, -1),))]
    carried = sum(position >= 0 for position in needed) / max(len(needed), 1)
    rebuilder = Rebuilder(job.processor, point)
    found = [rebuilder.feed(chunk) for chunk in islice(source.chunks(), 4)]
    return Cycles.join([*found, rebuilder.finish()]), source.notes, carried


def _shortened(path: Path, size: int) -> Path:
    """A file, or where it is long its whole first lines beside it."""
    if path.stat().st_size <= 2 * size:
        return path
    mark = zlib.crc32(path.name.encode("utf-8", "surrogateescape"))  # a whole name might be too long
    short = path.with_name(f"beginning-{size}-{mark:08x}{path.suffix}")
    if short.exists():
        return short
    with path.open("rb") as file:
        head = file.read(size)
    if head.startswith(b"PAR1"):
        return path
    # Two previews at once: neither may see what the other has half written.
    beside = path.with_name(f".{uuid.uuid4().hex}{path.suffix}")
    beside.write_bytes(whole_lines(head))
    beside.replace(short)
    return short
