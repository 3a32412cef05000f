"""A chip out of its board, read several times, with everything that its owner still has of its contents.

The truth stays with the `ChipCase` and is in none of the files: of a worn chip the machine file names only a
torn printout, beside the reading of a twin, and the sum that the machine's own self test expects.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import bincopy
import numpy as np

from wrongbit.demo.case import CASE_FILE, PASSES, REPAIRED, case_row, case_text, set_aside, write_files
from wrongbit.demo.cells import programmed
from wrongbit.demo.machine import DemoMachine, WornChip
from wrongbit.demo.machines import machine_named
from wrongbit.demo.parts import BoardChip, Words
from wrongbit.demo.reader import WAITS_NS, Bench, bench_for, troubles_for
from wrongbit.demo.record_files import intel_hex, s_record
from wrongbit.errors import UsageError

CELSIUS = 22.0

FORMATS = ("bin", "bin", "hex", "hex", "s19", "s19")
"""File of each pass: binary, Intel HEX, S-record."""

TWIN_YEARS, TWIN_LEAKY = 31.0, 0.0007
"""The twin is younger, and its oxide better."""

ROW = 16
"""Words in a line of the printout."""

PAGE = 32
"""Lines on a page of the printout; its last page is torn off."""

STAIN = 6
"""Lines that a coffee cup has made illegible."""


@dataclass(frozen=True)
class ChipCase:
    """A folder that was written, and the truth about it, which is not in it.

    Args:
        machine: Which machine.
        bench: The chip in its reader, and what is wrong.
        trouble: What is wrong, as ``NAME[:DETAIL]``.
        truth: ``uint64 (words,)`` what the chip held when it left the factory.
        folder: Where everything is.
        machine_file: The machine file.
        images: What other chips should hold, and this one where nothing has to be rebuilt.
        readings: The passes, in order.
        twin: A reading of the same chip of another machine; None where nothing has to be rebuilt.
        printout: What is left of the printed contents, or None.
        worn: How the contents can be proven, or None.
        later: Passes of another chip, which can be read once the faulty one is replaced; a worn one's must be
            programmed first.
        set_aside: Files of the person's own that stood in the way, where they are now.
    """

    machine: DemoMachine
    bench: Bench
    trouble: str
    truth: Words
    folder: Path
    machine_file: Path
    images: tuple[Path, ...]
    readings: tuple[Path, ...]
    twin: Path | None = None
    printout: Path | None = None
    worn: WornChip | None = None
    later: tuple[Path, ...] = ()
    set_aside: tuple[Path, ...] = ()

    @property
    def chip(self) -> BoardChip:
        """The chip."""
        return self.bench.chip


def usual_trouble(machine: DemoMachine) -> str:
    """The trouble that a machine's chip is shown with when none is asked for."""
    return "stuck-output" if machine.worn is None else f"worn:{machine.worn.chip}"


def troubles_of(machine: DemoMachine) -> dict[str, tuple[str, str]]:
    """What can be wrong with a chip of a machine in a reader: name = (text, example of a detail)."""
    kinds = troubles_for(machine.board, None if machine.worn is None else machine.worn.chip)
    return {name: row for name, row in kinds.items() if name != "worn" or machine.worn is not None}


def write_chip_case(
    folder: Path, machine_name: str = "quarrybank", trouble: str | None = None, *, seed: int = 1
) -> ChipCase:
    """Read a chip of a machine several times and write everything that its owner would have.

    The folder is made if it is missing; files of the same names in it are replaced once all are complete.

    Args:
        folder: Where to write.
        machine_name: Which machine.
        trouble: What is wrong, as ``NAME[:DETAIL]`` (see `wrongbit.demo.reader`); None: the machine's usual.
        seed: Source of everything that varies; the same seed writes the same files.

    Raises:
        UsageError: Machine, trouble or chip are not known, or nothing proves this chip's contents.
    """
    machine = machine_named(machine_name)
    usual = None if machine.worn is None else machine.worn.chip
    trouble = trouble or usual_trouble(machine)
    bench = bench_for(machine.board, trouble, usual, seed)
    name = bench.chip.name.lower()
    contents = dict(machine.build().files)
    readings = _passes(bench, name, seed)
    twin = printout = None
    if bench.worn:
        if machine.worn is None or machine.worn.chip != bench.chip.name:
            worn = "" if machine.worn is None else f"worn:{machine.worn.chip}, or "
            raise UsageError(
                f"Nothing is known that could prove the contents of the {machine.title}'s {bench.chip.name}.",
                f"Choose {worn}another fault; --list shows them.",
            )
        printout = f"{name}-printout.lst"
        twin = f"{name}-twin.bin"
        contents = _without_image(contents, machine, bench.chip, printout)
        contents |= {printout: _printout(bench.chip, seed), twin: _file(_twin(bench, seed), "bin")}
    images = [file for file in contents if file not in (f"{machine.name}.toml", printout, twin)]
    contents |= readings | {"readings.toml": _conditions(bench, list(readings), twin)}
    later: dict[str, bytes] = {}
    if not bench.worn:  # what a worn chip held is in none of the files
        later = passes_of_new(bench.chip.name, _file(bench.chip.contents, "bin"))
    contents |= later
    rows = [case_row("reading", chip=bench.chip.name, file=each) for each in readings]
    contents[CASE_FILE] = case_text(rows, f"{machine.name}.toml", contents)
    aside = set_aside(folder, contents)
    write_files(folder, contents)
    return ChipCase(
        machine=machine,
        bench=bench,
        trouble=trouble,
        truth=bench.chip.contents,
        folder=folder,
        machine_file=folder / f"{machine.name}.toml",
        images=tuple(folder / each for each in images),
        readings=tuple(folder / each for each in readings),
        twin=None if twin is None else folder / twin,
        printout=None if printout is None else folder / printout,
        worn=machine.worn if bench.worn else None,
        later=tuple(folder / each for each in later),
        set_aside=aside,
    )


def passes_of_new(chip: str, data: bytes) -> dict[str, bytes]:
    """Passes of a chip that holds what it was programmed with: file name = bytes."""
    return {f"{REPAIRED}{chip.lower()}-{number}.bin": data for number in range(1, PASSES + 1)}


def differing_bits(case: ChipCase, path: Path) -> int:
    """Bits of a file that are not the truth.

    Args:
        case: Knows the truth.
        path: Binary, Intel HEX or S-record, of the chip's own size.
    """
    if path.suffix == ".bin":
        data = path.read_bytes()
    else:
        image = bincopy.BinFile()
        image.add_file(str(path))
        data = bytes(image.as_binary(minimum_address=0))
    truth = case.truth.astype(np.uint8).tobytes()
    short = abs(len(data) - len(truth))
    pairs = zip(data, truth, strict=False)
    return sum((one ^ other).bit_count() for one, other in pairs) + 8 * short


# Readings ------------------------------------------------------------------------------------------


def _passes(bench: Bench, name: str, seed: int) -> dict[str, bytes]:
    """File name = bytes, in the order of the passes."""
    files = {}
    for number, (volts, wait, suffix) in enumerate(zip(bench.volts, bench.waits_ns, FORMATS, strict=True), 1):
        words = bench.read(volts, CELSIUS, wait, np.random.default_rng([seed, 10 + number]))
        files[f"{name}-{number}.{suffix}"] = _file(words, suffix)
    return files


def _file(words: Words, suffix: str) -> bytes:
    data = words.astype(np.uint8).tobytes()
    return {"bin": lambda: data, "hex": lambda: intel_hex(data, 0), "s19": lambda: s_record(data, 0)}[
        suffix
    ]()


def _twin(bench: Bench, seed: int) -> Words:
    """The same chip of another machine: programmed by itself, younger, a few leaky cells of its own."""
    chip = bench.chip
    fresh = programmed(chip.contents, len(chip.lane), np.random.default_rng([seed, 3]))
    cells = fresh.aged(TWIN_YEARS, TWIN_LEAKY, np.random.default_rng([seed, 4]))
    return Bench(chip, cells).read(5.0, CELSIUS, WAITS_NS[0], np.random.default_rng([seed, 20]))


def _conditions(bench: Bench, readings: Sequence[str], twin: str | None) -> bytes:
    """How each pass was made, as the person at the reader wrote it down."""
    passes = [
        (file, volts, wait, "")
        for file, volts, wait in zip(readings, bench.volts, bench.waits_ns, strict=True)
    ]
    if twin is not None:
        passes.append((twin, 5.0, WAITS_NS[0], "the chip of another machine"))
    entries = []
    for file, volts, wait, notes in passes:
        lines = [
            "[[reading]]",
            f'file = "{file}"',
            f'voltage = "{volts} V"',
            f'temperature = "{CELSIUS:g} °C"',
            f'speed = "{wait:g} ns"',
        ]
        entries.append("\n".join(lines + ([f'notes = "{notes}"'] if notes else [])))
    return ("\n\n".join(entries) + "\n").encode()


# What the owner still has --------------------------------------------------------------------------


def _printout(chip: BoardChip, seed: int) -> bytes:
    """The service book's printout, without its last page and without what the coffee cup stood on."""
    _, base, _ = chip.regions[0]
    rows = chip.words // ROW - PAGE
    stain = int(np.random.default_rng([seed, 5]).integers(PAGE, rows - STAIN))
    lines = [f"; {chip.name}, as printed in the service book. The last page is missing."]
    for row in range(rows):
        if stain <= row < stain + STAIN:
            if row == stain:
                lines.append("; (stain)")
            continue
        words = chip.contents[row * ROW : (row + 1) * ROW].tolist()
        lines.append(f"{base + row * ROW:04X}  {' '.join(f'{word:02X}' for word in words)}")
    return ("\n".join(lines) + "\n").encode()


def _without_image(
    contents: dict[str, bytes], machine: DemoMachine, chip: BoardChip, printout: str
) -> dict[str, bytes]:
    """The machine's files as somebody has them who never had this chip's contents as a file."""
    name = f"{machine.name}.toml"
    text = contents[name].decode()
    block = re.search(rf'\[\[chip\]\]\nname = "{chip.name}"\n.*?^image = (\{{[^\n]*\}})', text, re.S | re.M)
    assert block is not None
    _, base, _ = chip.regions[0]
    told = f'{{ file = "{printout}", format = "listing", base = 0x{base:04X} }} # what is left of it'
    spared = re.findall(r'file = "([^"]+)"', block[1])
    kept = {
        file: data
        for file, data in contents.items()
        if file not in spared and not file.endswith(".lst")  # whole listings hold the chip too
    }
    return kept | {name: (text[: block.start(1)] + told + text[block.end(1) :]).encode()}
