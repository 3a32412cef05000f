"""A machine's fault dictionary: what each fault, and each two at once, would show at each probe point.

Worked out ahead of time and in pieces, each kept as soon as it is there under the hash of what it rests on
(machine file, references, version); what is there is not done again. The folder::

    KEY/singles.parquet      every fault on a path at every probe point
    KEY/pairs-N.parquet      every two classes of faults at every probe point
    KEY/machine.json         what it is for

Faults of one class have the same effect everywhere (`wrongbit.diagnose.dictionary.classes_of`), so that pairs
are worked out once a pair of classes.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from itertools import combinations, islice
from pathlib import Path
from typing import Any

import polars as pl

from wrongbit import __version__
from wrongbit.batch.engine import Failure, cluster, do_all
from wrongbit.batch.items import open_store
from wrongbit.batch.results import Results
from wrongbit.bus.recipes import recipe_names
from wrongbit.casework.casework import Casework
from wrongbit.casework.unkept import JOURNALS, open_or_look
from wrongbit.compare.build import build_memory_map
from wrongbit.diagnose.case import machine_file_of
from wrongbit.diagnose.dictionary import classes_of, name_of, nominal_look, sight_of
from wrongbit.diagnose.structure import Hypothesis, Structure
from wrongbit.errors import InputError, UsageError
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Machine

PIECE = 1000
"""Pairs of classes in a piece of work."""


@dataclass(frozen=True)
class Piece:
    """One piece of a dictionary.

    Args:
        machine: The machine, with the references that were added to its case.
        machine_file: Path of the machine file, readable where the work is done, with its references.
        number: Which piece of the pairs; -1 for the single faults.
        pairs: Pairs of classes, in this piece.
    """

    machine: Machine
    machine_file: str
    number: int
    pairs: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class Built:
    """A dictionary that is complete.

    Args:
        machine: The machine's name.
        folder: Where it is.
        faults: Single faults.
        classes: Classes of them.
        pairs: Pairs of classes.
        kept: Pieces that had been there before.
        pieces: Pieces in all.
        told_apart: For each probe point, how many different sights the single faults give.
    """

    machine: str
    folder: str
    faults: int
    classes: int
    pairs: int
    kept: int
    pieces: int
    told_apart: dict[str, int]


def build_dictionary(
    place: Path,
    output: str,
    *,
    pairs: bool = False,
    scheduler: str | None = None,
    processes: int | None = None,
    tell: Callable[[int, int], None] = lambda done, total: None,
) -> Built:
    """Work out what is missing of a machine's dictionary.

    Args:
        place: The machine file, or a case folder, whose added references count, too; with a scheduler it must
            be readable by the workers under this path.
        output: Folder or URL in which dictionaries are kept.
        pairs: Also every two faults at once.
        scheduler: Address of a Dask scheduler; None: local processes.
        processes: How many local ones; None: one for each core.
        tell: Told now and then how many pieces are done, of how many.

    Raises:
        MachineFileError: The file cannot be used.
        UsageError: The machine has no paths, or the output or the scheduler cannot be used.
    """
    machine, machine_file = machine_at(place)
    structure = _structure(machine)
    hypotheses = structure.hypotheses()
    classes = classes_of(structure, hypotheses)
    store = Results(output)
    key = _key(machine, machine_file)
    where = str(machine_file.absolute())
    pieces = [Piece(machine, where, -1)]
    together = list(_pairs(hypotheses, classes)) if pairs else []
    rest = iter(together)
    while part := tuple(islice(rest, PIECE)):
        pieces.append(Piece(machine, where, len(pieces) - 1, part))
    missing = [each for each in pieces if not store.fs.exists(_place(store, key, each))]
    kept = len(pieces) - len(missing)
    tell(kept, len(pieces))
    if missing:
        store.fs.makedirs(f"{store.path}/{key}", exist_ok=True)
        done = kept
        with cluster(scheduler, min(processes, len(missing)) if processes else None) as client:
            for number, outcome in do_all(client, work_out, missing):
                if isinstance(outcome, Failure):
                    raise UsageError(f"A piece of the dictionary failed: {outcome.message}", outcome.remedy)
                store.write(_place(store, key, missing[number]), outcome)
                done += 1
                tell(done, len(pieces))
    name = structure.machine.machine.name
    about = {"machine": name, "file": machine_file.name, "version": __version__, "pairs": pairs}
    store.write(f"{store.path}/{key}/machine.json", json.dumps(about).encode())
    with _told_damage(f"{output}/{key}"):
        singles = pl.read_parquet(store.fs.cat_file(_place(store, key, pieces[0])))
    apart = singles.group_by("point", maintain_order=True).agg(pl.col("signature").n_unique())
    return Built(
        name, f"{output.rstrip('/')}/{key}", len(hypotheses), max(classes, default=-1) + 1, len(together),
        kept, len(pieces), dict(apart.iter_rows()),
    )  # fmt: skip


def machine_at(place: Path) -> tuple[Machine, Path]:
    """A machine with its file; where it is that of a case, with the references that were added to it.

    Args:
        place: A machine file, or a case folder.

    Raises:
        WrongbitError: The file, or the case, cannot be used.
    """
    folder = place if place.is_dir() else place.parent
    if any((folder / name).exists() for name in JOURNALS):
        with closing(open_or_look(folder)) as case:
            if place.is_dir() or case.machine_file.resolve() == place.resolve():
                return Casework(case).machine, case.machine_file
    file = machine_file_of(place) if place.is_dir() else place
    return load_machine(file, recipe_names=recipe_names()), file


def _key(machine: Machine, machine_file: Path) -> str:
    """What a machine's dictionary is kept under; it changes with machine file, references and version."""
    from hashlib import sha256

    named = [chip.image.file for chip in machine.chip if chip.image is not None]
    named += [listing.file for listing in machine.listing]
    digest = sha256(__version__.encode())
    for path in (machine_file, *(machine_file.parent / name for name in dict.fromkeys(named))):
        try:
            digest.update(sha256(path.read_bytes()).digest())
        except OSError as error:
            raise InputError(
                f"It cannot be read: {error.strerror}.", "Check its name and permissions.", file=str(path)
            ) from None
    return digest.hexdigest()[:16]


def _structure(machine: Machine) -> Structure:
    if not machine.path:
        raise UsageError(
            f"{machine.machine.name} has no [[path]], so that nothing is known between chips and processor.",
            "Add [[part]] and [[path]] to the machine file (see docs/diagnosis.md).",
        )
    if not machine.point:
        raise UsageError(
            f"{machine.machine.name} has no probe point.", "Add a [[point]] to the machine file."
        )
    return Structure(machine)


def _place(store: Results, key: str, piece: Piece) -> str:
    name = "singles" if piece.number < 0 else f"pairs-{piece.number:05}"
    return f"{store.path}/{key}/{name}.parquet"


def _pairs(hypotheses: Sequence[Hypothesis], classes: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Every two classes of which some members lie on different parts."""
    parts: dict[int, set[str]] = {}
    for hypothesis, number in zip(hypotheses, classes, strict=True):
        parts.setdefault(number, set()).add(hypothesis.part)
    for one, two in combinations(parts, 2):
        if len(parts[one] | parts[two]) > 1:
            yield one, two


def work_out(piece: Piece) -> bytes:
    """One piece, as a Parquet file. (Called in a worker's process.)"""
    machine_file, machine = Path(piece.machine_file), piece.machine
    structure = _structure(machine)
    hypotheses = structure.hypotheses()
    classes = classes_of(structure, hypotheses)
    if piece.number < 0:
        wanted: list[tuple[dict[str, Any], tuple[Hypothesis, ...]]] = [
            (
                {
                    "name": name_of(each), "part": each.part, "says": each.say(), "weight": each.weight,
                    "class": number,
                },
                (each,),
            )
            for each, number in zip(hypotheses, classes, strict=True)
        ]  # fmt: skip
    else:
        first = {number: hypotheses[classes.index(number)] for number in set(classes)}
        wanted = [({"one": one, "two": two}, (first[one], first[two])) for one, two in piece.pairs]
    rows = []
    maps = {each.name: build_memory_map(machine, each, machine_file.parent) for each in machine.processor}
    worked_out: dict[object, list[dict[str, Any]]] = {}
    for point in machine.point:
        processor = machine.processor_of(point.processor).name
        place = (processor, tuple(sorted(point.on.items())))
        if place not in worked_out:  # several points are often one place, seen by different instruments
            look = nominal_look(structure, point, maps[processor])
            worked_out[place] = [asdict(sight_of(structure, look, faults)) for _, faults in wanted]
        rows += [
            {**about, "point": point.name, **sight}
            for (about, _), sight in zip(wanted, worked_out[place], strict=True)
        ]
    file = io.BytesIO()
    schema = {"bits": pl.UInt64, "expected": pl.UInt64, "seen": pl.UInt64, "address": pl.UInt64}
    pl.DataFrame(rows, schema_overrides=schema).write_parquet(file)
    return file.getvalue()


# Use ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Dictionary:
    """A dictionary that was opened.

    Args:
        classes: Name of each single fault = its class.
        sights: (class or pair of classes in order, point) = signature.
    """

    classes: dict[str, int]
    sights: dict[tuple[tuple[int, ...], str], str]

    def signature(self, faults: Sequence[Hypothesis], point: str) -> str | None:
        """What these faults would show at a point; None where the dictionary does not have it."""
        numbers = [self.classes.get(name_of(each)) for each in faults]
        if None in numbers:
            return None
        return self.sights.get((tuple(sorted(number for number in numbers if number is not None)), point))


def open_dictionary(place: Path, output: str) -> Dictionary:
    """The dictionary of a machine as it is now.

    Args:
        place: The machine file, or a case folder, as for `build_dictionary`.
        output: Folder or URL in which dictionaries are kept.

    Raises:
        UsageError: There is none, or only one for an earlier state of the machine file or its images.
    """
    fs, path = open_store(output)
    key = _key(*machine_at(place))
    try:
        with _told_damage(f"{output}/{key}"):
            singles = pl.read_parquet(fs.cat_file(f"{path}/{key}/singles.parquet"))
            singles = singles.select("name", "class", "point", "signature")
            others = sorted(fs.glob(f"{path}/{key}/pairs-*.parquet"))
            pairs = [pl.read_parquet(fs.cat_file(each)) for each in others]
            pairs = [each.select("one", "two", "point", "signature") for each in pairs]
    except FileNotFoundError:
        raise UsageError(
            f"{output} has no fault dictionary for {place} as it is now.",
            f"Make it: wrongbit batch --dictionary {place} --output {output}",
        ) from None
    classes = dict(singles.select("name", "class").unique().iter_rows())
    sights: dict[tuple[tuple[int, ...], str], str] = {
        ((number,), point): signature
        for number, point, signature in singles.select("class", "point", "signature").iter_rows()
    }
    for frame in pairs:
        for one, two, point, signature in frame.iter_rows():
            sights[(one, two) if one < two else (two, one), point] = signature
    return Dictionary(classes, sights)


@contextmanager
def _told_damage(folder: str) -> Iterator[None]:
    """A piece that is no table of ours is told as such."""
    try:
        yield
    except pl.exceptions.PolarsError as error:
        raise InputError(
            f"The dictionary is damaged: {str(error).splitlines()[0]}.",
            "Delete the folder and make it again.",
            file=folder,
        ) from None
