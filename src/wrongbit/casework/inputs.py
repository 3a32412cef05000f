"""What a case gives to its computations: the machine with added references, and what by-hand entries say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from wrongbit.case.details import D
from wrongbit.case.entries import (
    Entry,
    FindingRecorded,
    MeasurementAdded,
    ReadingAdded,
    ReferenceAdded,
    Stored,
    Written,
)
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.memory_map import ChipMap
from wrongbit.diagnose.case import measurement_of
from wrongbit.diagnose.hand import Measurement
from wrongbit.diagnose.structure import Structure
from wrongbit.errors import WrongbitError
from wrongbit.image.contents import Contents
from wrongbit.image.load import load_chip_contents
from wrongbit.machine.model import ImageFile, Listing, Machine
from wrongbit.reading.conditions import conditions_of
from wrongbit.reading.readings import Reading, load_reading

PROOF = "proof"
"""A note that begins so marks what was captured or read to prove a repair."""


PROGRAMMED = "programmed"
"""A note that begins so marks an image that was made for a replacement: no witness of what the chip held."""


class CaseLike(Protocol):
    """What is asked of a case: `wrongbit.case.folder.Case`, or one that cannot be kept."""

    folder: Path
    machine_file: Path
    name: str

    def entries(self, *, withdrawn: bool = False) -> tuple[Entry, ...]:
        """The journal, oldest first."""

    def of_kind(self, kind: type[D]) -> tuple[tuple[Entry, D], ...]:
        """Entries of one kind that count."""

    def path_of(self, stored: Stored) -> Path:
        """An original's file."""

    def derived(self, name: str) -> Path:
        """The place of something that can be computed again."""

    def finding(self, what: str, key: str) -> FindingRecorded | None:
        """The recorded result with that key."""

    def latest(self, what: str) -> tuple[Entry, FindingRecorded] | None:
        """The last recorded result."""

    def add(self, detail: Written) -> Entry:
        """Write an entry."""

    def close(self) -> None:
        """Let go of the journal."""


class Snapshot:
    """A case as it was at one moment: its journal is read once, what is written goes through.

    Args:
        case: The case.
    """

    def __init__(self, case: CaseLike) -> None:
        self._case = case
        self._entries = case.entries(withdrawn=True)
        self.folder, self.machine_file, self.name = case.folder, case.machine_file, case.name

    def entries(self, *, withdrawn: bool = False) -> tuple[Entry, ...]:
        """The journal, oldest first."""
        return tuple(each for each in self._entries if withdrawn or each.withdrawn_by is None)

    def of_kind(self, kind: type[D]) -> tuple[tuple[Entry, D], ...]:
        """Entries of one kind that count."""
        return tuple((each, each.detail) for each in self.entries() if isinstance(each.detail, kind))

    def path_of(self, stored: Stored) -> Path:
        """An original's file."""
        return self._case.path_of(stored)

    def derived(self, name: str) -> Path:
        """The place of something that can be computed again."""
        return self._case.derived(name)

    def finding(self, what: str, key: str) -> FindingRecorded | None:
        """The recorded result with that key."""
        return self._case.finding(what, key)

    def latest(self, what: str) -> tuple[Entry, FindingRecorded] | None:
        """The last recorded result."""
        return self._case.latest(what)

    def add(self, detail: Written) -> Entry:
        """Write an entry; this snapshot does not see it but by `finding` and `latest`."""
        return self._case.add(detail)

    def close(self) -> None:
        """Nothing is held that is not the case's."""


def is_proof(note: str) -> bool:
    """Whether a note marks a proof.

    >>> is_proof("Proof: after the repair"), is_proof("proofread")
    (True, False)
    """
    return _first_word(note) == PROOF


def is_programmed(note: str) -> bool:
    """Whether a note marks the image that a replacement was programmed with."""
    return _first_word(note) == PROGRAMMED


def _first_word(note: str) -> str:
    words = note.replace(":", " ").casefold().split()
    return words[0].rstrip(".,;") if words else ""


@dataclass(frozen=True)
class Added:
    """References that were added to a case, with their places.

    Args:
        reference: What the journal says.
        path: The original.
    """

    reference: ReferenceAdded
    path: Path


def with_references(machine: Machine, folder: Path, added: Sequence[Added]) -> Machine:
    """The machine with what was added to its references.

    An added image counts where the machine file names none for the chip, or one that is not there; of several
    the last. An added listing counts beside those that the machine file names. A twin is no reference.
    """
    images = {
        each.reference.chip: each
        for each in added
        if each.reference.kind == "image" and not is_programmed(each.reference.note)
    }
    chips = []
    for chip in machine.chip:
        given = images.get(chip.name)
        named = chip.image is not None and (folder / chip.image.file).is_file()
        if given is not None and chip.kind == "rom" and not named:
            entry = {"file": str(given.path.absolute()), "format": given.reference.format}
            chip = chip.model_copy(update={"image": ImageFile.model_validate(entry)})
        chips.append(chip)
    listings = [_listing(machine, each) for each in added if each.reference.kind == "listing"]
    return machine.model_copy(update={"chip": tuple(chips), "listing": (*machine.listing, *listings)})


def _listing(machine: Machine, added: Added) -> Listing:
    """A listing has addresses as a processor sees them: that of the chip that it names, or the first."""
    chip = next((each for each in machine.chip if each.name == added.reference.chip), None)
    processor = machine.processor_of(chip.processor) if chip is not None else machine.processor[0]
    format_ = "listing" if added.reference.format == "auto" else added.reference.format
    entry = {"file": str(added.path.absolute()), "format": format_, "processor": processor.name}
    return Listing.model_validate(entry)


# -- by hand -----------------------------------------------------------------------------------------------


def measurements_of(
    structure: Structure, folder: Path, given: Sequence[tuple[Entry, MeasurementAdded]]
) -> tuple[list[Measurement], list[str]]:
    """Measurements by hand, and which entries do not count and why."""
    found, notes = [], []
    for entry, detail in given:
        table = {
            name: value
            for name in ("kind", "part", "line", "carries", "outcome", "note")
            if (value := getattr(detail, name))
        }
        try:
            found.append(measurement_of(structure, table, folder, f"entry {entry.number}"))
        except WrongbitError as error:
            notes.append(f"Entry {entry.number} does not count: {error.message} {error.remedy}".rstrip())
    return found, notes


def readings_compared(
    machine: Machine, folder: Path, given: Mapping[str, Sequence[tuple[Path, ReadingAdded]]]
) -> tuple[list[Measurement], list[str]]:
    """Readings of each chip as one measurement: good when every pass holds what the chip should hold."""
    found, notes = [], []
    for name, passes in given.items():
        chip = next((each for each in machine.chip if each.name == name and each.kind == "rom"), None)
        if chip is None:
            notes.append(f"Readings of {name} do not count: {machine.machine.name} has no such ROM.")
            continue
        processor = machine.processor_of(chip.processor)
        try:
            memory_map = build_memory_map(machine, processor, folder)
            should = next(each for each in memory_map.chips if each.name == name)
            counts = [compared(should, _loaded(machine, path, detail)) for path, detail in passes]
        except WrongbitError as error:
            notes.append(f"Readings of {name} do not count: {error.message} {error.remedy}".rstrip())
            continue
        wrong, judged = sum(each[0] for each in counts), sum(each[1] for each in counts)
        if not judged:
            notes.append(f"Readings of {name} do not count: nothing is known of what it should hold.")
            continue
        says = f"{wrong} of {judged} bits differ" if wrong else "as it should be"
        found.append(Measurement("reading", name, outcome="bad" if wrong else "good", note=says))
    return found, notes


def compared(should: ChipMap, read: Contents) -> tuple[int, int]:
    """Bits that differ from what a chip should hold, and bits that could be compared."""
    known = should.known & read.known
    wrong = (should.contents ^ read.words) & known
    return int(np.bitwise_count(wrong).sum()), int(np.bitwise_count(known).sum())


def _loaded(machine: Machine, path: Path, detail: ReadingAdded) -> Contents:
    """One pass, by the format that was told."""
    chip = next(each for each in machine.chip if each.name == detail.chip)
    order = machine.processor_of(chip.processor).byte_order
    if detail.format == "auto":
        return load_reading(path, chip.words, chip.bits, byte_order=order)
    entry = ImageFile.model_validate({"file": path.name, "format": detail.format})
    return load_chip_contents(entry, chip.words, chip.bits, path.parent, byte_order=order)


def loaded_reading(machine: Machine, path: Path, detail: ReadingAdded) -> Reading:
    """One pass with its conditions.

    Raises:
        ImageError: The file does not fit the chip.
        InputError: A condition cannot be understood.
    """
    conditions = conditions_of(detail.conditions, detail.file.name)
    return Reading(_loaded(machine, path, detail), conditions, detail.file.name)
