"""Everything that says what a chip holds, opened and put into one shape, for a rebuilding."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from wrongbit.bus.cycles import Cycles
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.memory_map import ChipMap, MemoryMap
from wrongbit.errors import ImageError, UsageError, WrongbitError
from wrongbit.image.contents import Contents
from wrongbit.image.load import load_chip_contents
from wrongbit.job import Job, Progress, read_capture
from wrongbit.machine.lookup import point_named
from wrongbit.machine.model import Chip, Listing, Machine
from wrongbit.reading.constraints import Constraint, parse_constraint
from wrongbit.reading.faded import erased_level, with_fading
from wrongbit.reading.found import find_steps
from wrongbit.reading.readings import Reading, load_reading, load_readings
from wrongbit.reading.rebuild import Rebuilt, Shape, rebuild
from wrongbit.reading.sources import Source, combine, from_bus, from_contents, from_passes
from wrongbit.reading.undo import Bench, Step, parse_step, undo_all


@dataclass(frozen=True)
class Rebuilding:
    """Rebuilt contents with where they come from.

    Args:
        rebuilt: The contents.
        sources: Everything that said something.
        passes: Number of readings.
        undone: Faults of the readings that were taken back, in words.
    """

    rebuilt: Rebuilt
    sources: tuple[Source, ...]
    passes: int
    undone: tuple[str, ...]


class ChipSources:
    """Opens what is named; collects what the readers note in `notes`.

    Args:
        machine: The machine.
        file: Its machine file.
        chip: One of its ROMs.
        noise: Probability that a sound bit is read wrong in one pass.
    """

    def __init__(self, machine: Machine, file: Path, chip: Chip, noise: float) -> None:
        self.machine, self.file, self.chip, self.noise = machine, file, chip, noise
        self.processor = machine.processor_of(chip.processor)
        self.shape = Shape(chip.words, chip.bits, self.processor.byte_order)
        self.notes: list[str] = []

    def map(self, listings: Sequence[Listing] = ()) -> MemoryMap:
        """The bus with nothing known of any ROM but what these listings say."""
        blank = tuple(chip.model_copy(update={"image": None}) for chip in self.machine.chip)
        machine = self.machine.model_copy(update={"chip": blank, "listing": tuple(listings)})
        return build_memory_map(machine, self.processor, self.file.parent)

    def mine(self, memory_map: MemoryMap) -> ChipMap:
        """The chip in a map."""
        return next(chip for chip in memory_map.chips if chip.name == self.chip.name)

    def twins(self, paths: Sequence[Path]) -> list[Source]:
        """Each twin is a source of its own."""
        found = []
        for path in paths:
            one = Reading(self._load(path), name=path.name)
            found.append(from_passes([one], "twin", f"twin {path.name}", noise=self.noise))
        return found

    def _load(self, path: Path) -> Contents:
        return load_reading(path, self.chip.words, self.chip.bits, byte_order=self.processor.byte_order)

    def listings(self, paths: Sequence[Path]) -> list[Source]:
        """Each listing, as far as it concerns the chip."""
        found = []
        for path in paths:
            entry = Listing(file=str(path.absolute()), format="auto", processor=self.processor.name)
            try:
                listed = self._listed(entry)
            except ImageError as error:
                error.file = str(path)  # as the person named it
                raise
            if listed is None:
                raise ImageError(
                    f"no word of it lies in {self.chip.name}.",
                    "A listing has addresses as the processor sees them; check them and the chip's region.",
                    file=str(path),
                )
            found.append(listed)
        return found

    def listed(self, entry: Listing) -> Contents | None:
        """The chip's own words in a listing of the processor's; None: it has none.

        Raises:
            ImageError: It cannot be read.
        """
        mine = self.mine(self.map([entry]))
        return Contents(mine.contents, mine.known, self.chip.bits) if mine.known.any() else None

    def _listed(self, entry: Listing) -> Source | None:
        """What a listing says of the chip; None: nothing."""
        contents = self.listed(entry)
        if contents is None:
            return None
        return from_contents(contents, "listing", f"listing {Path(entry.file).name}")

    def references(self) -> list[Source]:
        """The image and the listings that the machine file names.

        Raises:
            UsageError: It names none that says anything of the chip.
            ImageError: One cannot be used.
        """
        found = [*self.own_image(), *self.own_listings()]
        if not found:
            raise UsageError(
                f"The machine file names no image for {self.chip.name}, and no listing with a word of it.",
                "Leave --reference out.",
            )
        return found

    def left_out(self, found: Rebuilt) -> tuple[str, ...]:
        """Sentences on what the machine file's own references say against contents made without them.

        A reference that is not there or cannot be read says nothing.
        """
        ones = (found.guess[:, None] >> np.arange(self.chip.bits, dtype=np.uint64)) & np.uint64(1) != 0
        told = []
        for each in (self.own_image, self.own_listings):
            with suppress(WrongbitError):
                for source in each():
                    count = int(np.count_nonzero((source.odds != 0) & ((source.odds > 0) != ones)))
                    if count:
                        bits = "1 bit" if count == 1 else f"{count} bits"
                        told.append(
                            f"The machine file's {source.name} was left out and says otherwise in {bits}: "
                            "--reference counts it."
                        )
        return tuple(told)

    def own_listings(self, wanted: Callable[[str], bool] = lambda _: True) -> list[Source]:
        """The machine file's own listings, each that says anything of the chip.

        Args:
            wanted: Whether a file counts, by its name in the machine file.
        """
        own = [
            self._listed(each)
            for each in self.machine.listing
            if self.machine.processor_of(each.processor) is self.processor and wanted(each.file)
        ]
        return [each for each in own if each is not None]

    def own_image(self, wanted: Callable[[str], bool] = lambda _: True) -> list[Source]:
        """The image that the machine file names, if it names one.

        Args:
            wanted: Whether a file counts, by its name in the machine file.
        """
        if self.chip.image is None or not wanted(self.chip.image.file):
            return []
        contents = load_chip_contents(
            self.chip.image,
            self.chip.words,
            self.chip.bits,
            self.file.parent,
            byte_order=self.processor.byte_order,
        )
        return [from_contents(contents, "reference", f"reference {self.chip.image.file}")]

    def captures(
        self, paths: Sequence[Path], point: str | None, progress: Progress | None = None
    ) -> list[Source]:
        """All captures together: they share the bus, so that they are one source."""
        if not paths:
            return []
        chosen = point_named(self.machine, point)
        if self.machine.processor_of(chosen.processor) is not self.processor:
            raise UsageError(
                f"Probe point {chosen.name} sees the bus of {chosen.processor}, not that of "
                f"{self.chip.name} ({self.processor.name}).",
                "Choose a point on the chip's own bus.",
            )
        job = Job(self.machine, self.file, self.processor, chosen, self.map())
        parts = []
        for path in paths:
            cycles, notes = read_capture(job, path, progress)
            parts.append(cycles)
            self.notes += [f"{path.name}: {note}" for note in notes]
        return [self.bus(parts, [path.name for path in paths])]

    def bus(self, parts: Sequence[Cycles], names: Sequence[str]) -> Source:
        """Cycles on the chip's own bus as one source."""
        memory_map = self.map()
        name = "capture " + ", ".join(names)
        return from_bus(Cycles.join(parts), memory_map, self.mine(memory_map), name, noise=self.noise)

    def loaded(self, paths: Sequence[Path]) -> tuple[Reading, ...]:
        """Passes of the chip; no paths, no passes."""
        if not paths:
            return ()
        return load_readings(paths, self.chip.words, self.chip.bits, byte_order=self.processor.byte_order)

    def rebuilt(
        self,
        readings: Sequence[Reading],
        others: Sequence[Source],
        checksums: Sequence[str] = (),
        undo: Sequence[str] = (),
    ) -> Rebuilding:
        """The contents by everything that is given.

        Args:
            readings: Passes of the chip.
            others: All other sources.
            checksums: What the bytes obey.
            undo: Faults of the readings to take back; ``none``: look for none.

        Raises:
            UsageError: A fault or a checksum cannot be understood, or there is no reading to take one from.
            ImageError: The readings do not fit the chip.
        """
        bench, undone = self._bench(readings, undo, others)
        sources = [from_passes(bench.readings, "reading", "readings", noise=self.noise)] if readings else []
        sources += others
        fading = None
        level = erased_level(self.chip.technology, self.chip.type)
        if readings and level is not None:
            told, fading, notes = with_fading(bench.readings, sources, level, noise=self.noise)
            sources = list(told)
            self.notes += notes
        found = rebuild(
            self.shape,
            sources,
            partners=bench.partners,
            constraints=self.constraints(checksums, sources),
            notes=self.notes,
            fading=fading,
        )
        return Rebuilding(found, tuple(sources), len(bench.readings), undone)

    def _bench(
        self, readings: Sequence[Reading], texts: Sequence[str], others: Sequence[Source]
    ) -> tuple[Bench, tuple[str, ...]]:
        """The readings without their fault, asked for or found, and the faults that were taken back."""
        if texts and not readings:
            raise UsageError(
                "There is no reading from which a fault could be taken back.", "Give a --reading."
            )
        if not readings:
            return Bench((), (), ()), ()
        for reading in readings:
            notes = [note for note in reading.contents.notes if not note.startswith("Read as ")]
            self.notes += [f"{reading.name}: {note}" for note in notes]
        steps: tuple[Step, ...] = ()
        if list(texts) == ["none"]:
            pass
        elif texts:
            steps = tuple(
                parse_step(text, self.chip.bits, self.chip.words, part=self.chip.name) for text in texts
            )
        elif others:
            steps, found = self._find(readings, others)
            self.notes += found
        bench = undo_all(readings, steps)
        self.notes += bench.notes
        return bench, tuple(step.says for step in steps)

    def _find(
        self, readings: Sequence[Reading], others: Sequence[Source]
    ) -> tuple[tuple[Step, ...], tuple[str, ...]]:
        """The fault that readings show beside the other sources."""
        known = rebuild(self.shape, others).contents
        return find_steps(readings, self.mine(self.map()), known, chip_type=self.chip.type, noise=self.noise)

    def constraints(self, texts: Sequence[str], sources: Sequence[Source]) -> list[Constraint]:
        """The checksums; a header's rule reads the bytes as far as they are known."""
        if not texts:
            return []
        self.shape.check()
        data = self.shape.to_bytes(combine(sources, (self.chip.words, self.chip.bits)) > 0)
        return [parse_constraint(text, len(data), np.asarray(data).tobytes()) for text in texts]
