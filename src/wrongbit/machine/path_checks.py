"""Checks of paths: what they name exists, their bits fit, and probe points touch them somewhere."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wrongbit.machine.lines import Path as KeyPath
from wrongbit.machine.model import Machine, Path, Processor, default_address_lines
from wrongbit.machine.problems import Problem, either, suggestion
from wrongbit.units import format_bits


def check_paths(machine: Machine) -> Iterator[Problem]:
    """All problems of the paths of a machine."""
    for index, path in enumerate(machine.path):
        at: KeyPath = ("path", index)
        yield from _named(machine, path, at)
        yield from _bits(machine, path, at)
    yield from _points(machine)


def _named(machine: Machine, path: Path, at: KeyPath) -> Iterator[Problem]:
    """Chips, processors and parts that a path names."""
    chips = [chip.name for chip in machine.chip]
    parts = [part.name for part in machine.part]
    processors = [processor.name for processor in machine.processor]
    ends = chips + parts if path.carries == "enable" else chips
    yield from _missing((*at, "chips"), path.chips, ends, "chip", "Add a [[chip]] or correct the name.")
    yield from _missing(
        (*at, "processors"), path.processors, processors, "processor", "Name one of the machine's processors."
    )
    yield from _missing(
        (*at, "through"), path.through, parts, "part", "Add a [[part]] with this name or correct it."
    )
    for key in ("chips", "processors", "through"):
        names: tuple[str, ...] = getattr(path, key)
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            yield Problem((*at, key), f"{twice!r} is named twice.", "Name each once, in order.")


def _missing(
    at: KeyPath, names: Sequence[str], known: Sequence[str], what: str, remedy: str
) -> Iterator[Problem]:
    for name in names:
        if name not in known:
            there = f"there is {either(known)}" if known else f"the machine file has no {what}"
            yield Problem(at, f"there is no {what} {name!r}; {there}.", suggestion(name, known) + remedy)


def _bits(machine: Machine, path: Path, at: KeyPath) -> Iterator[Problem]:
    """Bits are those that the path's chips and processors have."""
    key = (*at, "signals")
    if path.carries in ("select", "bank") and not path.signals:
        yield Problem(
            key,
            f"a path that carries {path.carries!r} needs the bits that it carries.",
            "Add signals = …, such as '12..15' for the address bits that reach a decoder.",
        )
    repeated = next((bit for bit in path.signals if path.signals.count(bit) > 1), None)
    if repeated is not None:
        yield Problem(key, f"bit {repeated} is named twice.", "Name each once.")
    allowed = _allowed(machine, path)
    strange = tuple(bit for bit in path.signals if allowed is not None and bit not in allowed)
    if allowed and strange:
        yield Problem(
            key,
            f"bit {format_bits(strange)} belongs to none of {', '.join(path.chips)}; they have "
            f"{format_bits(tuple(sorted(allowed)))}.",
            "Correct signals or chips.",
        )


def _allowed(machine: Machine, path: Path) -> set[int] | None:
    """Bits that a path may carry, None where anything goes."""
    if path.carries in ("enable", "bank"):
        return None
    bits: set[int] = set()
    for processor in machine.processor:
        for chip in machine.chips_of(processor):
            if chip.name not in path.chips:
                continue
            if path.carries == "data":
                bits.update(chip.lane)
            elif path.carries == "address":
                bits.update(default_address_lines(chip, processor))
            else:
                bits.update(range(processor.address_bits))
    return bits


def _points(machine: Machine) -> Iterator[Problem]:
    """Where probe points touch paths."""
    paths = {path.name: path for path in machine.path}
    for index, point in enumerate(machine.point):
        processor = _processor(machine, point.processor)
        for name, part in point.on.items():
            at: KeyPath = ("point", index, "on", name)
            path = paths.get(name)
            if path is None:
                there = f"there is {either(paths)}" if paths else "the machine file has no [[path]]"
                yield Problem(
                    at, f"there is no path {name!r}; {there}.", suggestion(name, paths) + "Name a path."
                )
            elif part and part not in path.through:
                passed = either(path.through) if path.through else "no part"
                yield Problem(
                    at,
                    f"the path {name!r} does not pass {part!r}; it passes {passed}.",
                    suggestion(part, path.through) + "Name a part on the path, or '' for its beginning.",
                )
            elif processor is not None and processor.name not in machine.processors_of(path):
                yield Problem(
                    at,
                    f"the path {name!r} does not belong to {processor.name}, whose bus is seen here.",
                    "Correct the path, or the point's processor.",
                )


def _processor(machine: Machine, named: str | None) -> Processor | None:
    try:
        return machine.processor_of(named)
    except KeyError:
        return None
