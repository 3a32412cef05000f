"""Files for the programmer: one a chip and format, arranged as the wiring needs, read back before they count.

Files appear under their names only after every one of them was read back and compared; whatever goes wrong,
nothing half-written is left.
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wrongbit.bits import scatter_bits
from wrongbit.errors import ImageError, UsageError
from wrongbit.image.checksums import ALGORITHMS, contents_bytes
from wrongbit.image.contents import Contents
from wrongbit.image.formats import FORMATS, FormatName, read_image
from wrongbit.image.lanes import ByteOrder, as_bytes, invert, split
from wrongbit.replace.fit import Plan
from wrongbit.replace.label import Label, contents_lines, label_svg, label_text, size_text
from wrongbit.replace.wiring import JumperSetting, jumper_table

SUFFIXES: dict[FormatName, str] = {"binary": ".bin", "intel-hex": ".hex", "s-record": ".srec"}

ALL_FORMATS: tuple[FormatName, ...] = ("binary", "intel-hex", "s-record")


@dataclass(frozen=True)
class WrittenFile:
    """A file that was written and read back.

    Args:
        path: Where it is.
        chip: Designator of the memory on the adapter, such as ``IC1``.
        kind: Its format, or ``label``.
        size: Bytes of the device; of the file for a label.
        sum16: Sum of the device's bytes modulo 65536.
        crc32: CRC-32 of the device's bytes.
    """

    path: Path
    chip: str
    kind: str
    size: int
    sum16: int
    crc32: int


def write_programmer_files(
    images: Contents | Sequence[Contents],
    plan: Plan,
    folder: Path,
    formats: Sequence[FormatName] = ALL_FORMATS,
    *,
    allow_unknown: bool = False,
    replace: bool = False,
    byte_order: ByteOrder = "little",
    day: date | None = None,
) -> tuple[WrittenFile, ...]:
    """Write what the programmer needs for every memory of a plan, with labels.

    Args:
        images: The old chip's contents, or several for a plan with jumpers, in the order of the settings.
        plan: The plan.
        folder: Where the files go; it is made when it does not exist.
        formats: Formats to write.
        allow_unknown: Write bits that are not known as 1, the level of an erased cell.
        replace: Files that exist may be replaced.
        byte_order: Order of a 16-bit memory's bytes in the file.
        day: Date on the label; None: today.

    Returns:
        All files, each read back and found equal.

    Raises:
        ImageError: The contents do not fit the plan, or have unknown bits.
        UsageError: A file exists, or the folder cannot be written.
    """
    chosen = (images,) if isinstance(images, Contents) else tuple(images)
    _check_images(chosen, plan, allow_unknown)
    wrong = [name for name in formats if name not in SUFFIXES]
    if wrong or not formats:
        raise UsageError(
            f"{wrong[0]!r} cannot be written." if wrong else "no format is named.",
            f"Choose from {', '.join(SUFFIXES)}.",
        )
    memories = [device.ref for device in plan.circuit.of_part("memory")]
    jobs: list[_Job] = []
    for number, ref in enumerate(memories):
        device = device_contents(chosen, plan, number)
        jobs += _jobs(device, plan, ref, number, formats, byte_order, day or date.today(), chosen)
    _write_all(jobs, folder, replace=replace)
    return tuple(
        WrittenFile(folder / job.name, job.chip, job.kind, job.size, job.sum16, job.crc32) for job in jobs
    )


# -- what each chip holds ----------------------------------------------------------------------------------


def _check_images(images: Sequence[Contents], plan: Plan, allow_unknown: bool) -> None:
    need = plan.need
    if len(images) != need.images:
        raise ImageError(
            f"{len(images)} contents are given; the plan is for {need.images}.",
            "Give one for each jumper setting, in their order.",
        )
    for image in images:
        file = image.source or None
        if image.word_bits != need.bits:
            raise ImageError(
                f"the contents have words of {image.word_bits} bits; "
                f"{need.designator} has {need.bits} outputs.",
                "Split or merge the lanes first.",
                file=file,
            )
        if image.base + len(image) > need.words or not len(image):
            raise ImageError(
                f"the contents reach from 0x{image.base:X} to 0x{image.base + len(image) - 1:X}; "
                f"{need.designator} has addresses 0x0 to 0x{need.words - 1:X}.",
                "Subtract the base, or take the chip's part of the image.",
                file=file,
            )
        holes = np.flatnonzero(image.known != np.uint64(image.mask))
        missing = len(holes) + need.words - len(image)
        if missing and not allow_unknown:
            first = image.base + int(holes[0]) if len(holes) else (0 if image.base else len(image))
            raise ImageError(
                f"{missing} of {need.words} words are not wholly known, the first at 0x{first:X}.",
                "Complete the contents, or allow unknown bits to be written as 1 (--allow-unknown).",
                file=file,
            )


def device_contents(images: Sequence[Contents], plan: Plan, number: int = 0) -> Contents:
    """What one memory of the plan must hold, address by address, for the old chip's place to read right.

    Lanes, wire order, an inverting buffer and the jumper offsets are all taken into account. Cells that no
    image fills are erased cells: all bits 1.

    Args:
        images: Contents of the old chip, one for each jumper setting.
        plan: The plan.
        number: Number of the memory on the adapter, from 0.

    Returns:
        Wholly known contents of the memory's size.
    """
    memory, circuit = plan.memory, plan.circuit
    erased = np.uint64((1 << memory.bits) - 1)
    words = np.full(memory.words, erased)
    for setting, image in zip(jumper_table(plan), images, strict=True):
        lane = split(_filled(image), circuit.lanes[number])
        if any(device.number == "240" for device in circuit.of_part("buffer")):
            lane = invert(lane)
        high = erased & ~np.uint64(lane.mask)  # outputs that nothing uses stay erased
        words[_places(plan, setting, image.base, len(image))] = lane.words | high
    known = np.full(memory.words, erased)
    return Contents(words, known, memory.bits, source=images[0].source)


def _filled(image: Contents) -> Contents:
    """Unknown bits as 1."""
    mask = np.uint64(image.mask)
    return Contents(
        image.words | (mask & ~image.known), np.full(len(image), mask), image.word_bits, source=image.source
    )


def _places(plan: Plan, setting: JumperSetting, base: int, count: int) -> NDArray[np.intp]:
    """``(count,)`` the memory's address for each of the old chip's addresses from ``base`` on."""
    old = np.arange(base, base + count, dtype=np.uint64)
    new = scatter_bits(old, plan.circuit.address_pins)
    for jumper in plan.circuit.jumpers:
        if jumper.ref in setting.opened:
            new |= np.uint64(1 << jumper.address_pin)
    return new.astype(np.intp)


# -- writing -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Job:
    name: str
    chip: str
    kind: str
    data: bytes
    expected: Contents | None
    size: int
    sum16: int
    crc32: int


def _jobs(
    device: Contents,
    plan: Plan,
    ref: str,
    number: int,
    formats: Sequence[FormatName],
    byte_order: ByteOrder,
    day: date,
    images: Sequence[Contents],
) -> list[_Job]:
    """Files of one memory: its formats and its label."""
    narrow = device if device.word_bits <= 8 else as_bytes(device, byte_order)
    data = contents_bytes(device, byte_order)
    compute = {row.name: row.compute for row in ALGORITHMS}
    sum16, crc32 = compute["sum of bytes, 16 bits"](data), compute["CRC-32"](data)
    stem = re.sub(r"[^A-Za-z0-9_+-]+", "_", plan.need.designator)
    if len(plan.circuit.lanes) > 1:
        stem += f"-{number + 1}"
    jobs = []
    for kind in formats:
        writer = FORMATS[kind].write
        assert writer is not None
        written = writer(narrow, None)
        jobs.append(_Job(stem + SUFFIXES[kind], ref, kind, written, narrow, len(data), sum16, crc32))
    label = _label(plan, number, sum16, crc32, day, images)
    for suffix, text in ((".label.txt", label_text(label)), (".label.svg", label_svg(label))):
        raw = text.encode("utf-8")
        jobs.append(_Job(stem + suffix, ref, "label", raw, None, len(raw), sum16, crc32))
    return jobs


def _label(plan: Plan, number: int, sum16: int, crc32: int, day: date, images: Sequence[Contents]) -> Label:
    lanes = plan.circuit.lanes
    name = plan.need.designator if len(lanes) == 1 else f"{plan.need.designator} D{lanes[number][0]}…"
    settings = jumper_table(plan) if plan.circuit.jumpers else ()
    names = [Path(image.source).name or f"contents {index}" for index, image in enumerate(images)]
    return Label(
        designator=name,
        machine=plan.need.machine,
        part=plan.name,
        size=size_text(plan.memory.words, plan.memory.bits),
        sum16=sum16,
        crc32=crc32,
        day=day,
        contents=contents_lines(
            names[: len(settings)],
            [setting.offset for setting in settings],
            [setting_text(setting) for setting in settings],
        ),
    )


def setting_text(setting: JumperSetting) -> str:
    """How the jumpers stand, in words.

    >>> setting_text(JumperSetting(1, 4096, ("JP2",), ("JP1",)))
    'JP1 open, JP2 closed'
    """
    states = [(ref, "open") for ref in setting.opened] + [(ref, "closed") for ref in setting.closed]
    return ", ".join(f"{ref} {state}" for ref, state in sorted(states)) or "no jumper"


def _write_all(jobs: Sequence[_Job], folder: Path, *, replace: bool) -> None:
    """Write under temporary names, read back, compare; only then give the files their names."""
    present = [job.name for job in jobs if (folder / job.name).exists()]
    if present and not replace:
        raise UsageError(
            f"{folder / present[0]} exists already.",
            "Choose another folder, or allow it to be replaced (--replace).",
        )
    parts: list[Path] = []
    named: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for job in jobs:
            parts.append(_write_part(job, folder))
        for part, job in zip(parts, jobs, strict=True):
            part.replace(folder / job.name)
            named.append(folder / job.name)
    except OSError as error:
        for path in named if not replace else []:
            path.unlink(missing_ok=True)
        raise UsageError(
            f"{folder} cannot be written: {error.strerror}.", "Choose another folder, or free some room."
        ) from None
    finally:
        for part in parts:
            part.unlink(missing_ok=True)


def _write_part(job: _Job, folder: Path) -> Path:
    handle, name = tempfile.mkstemp(dir=folder, prefix=f".{job.name}.")
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(job.data)
        part.chmod(0o644)
        if job.expected is not None:
            _read_back(job, part)
        elif part.read_bytes() != job.data:
            raise _differs(job)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return part


def _read_back(job: _Job, part: Path) -> None:
    assert job.expected is not None
    found = read_image(part, _format(job.kind))
    expected = job.expected
    same = (
        found.base == 0
        and len(found) == len(expected)
        and bool((found.words == expected.words).all())
        and bool((found.known == np.uint64(0xFF)).all())
    )
    if not same:
        raise _differs(job)


def _format(kind: str) -> FormatName:
    return next(name for name in SUFFIXES if name == kind)


def _differs(job: _Job) -> ImageError:
    return ImageError(
        f"{job.name} was written and reads back differently.",
        "The disk may be at fault: write to another one.",
        file=job.name,
    )
