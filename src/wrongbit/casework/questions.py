"""Before something counts in a case: is it what it is brought in as? What probably is not, is questioned.

What cannot be read at all is refused by `wrongbit.casework.accept`. Here is what can be read and would be
believed, although it is likelier a slip of the hand: a person may want it all the same.
"""

from __future__ import annotations

from pathlib import Path

from wrongbit.bus.cycles import Cycles
from wrongbit.bus.rebuild import Rebuilder
from wrongbit.bus.recipes import bus_widths
from wrongbit.capture.formats import open_samples
from wrongbit.capture.store import file_hash
from wrongbit.case.entries import CaptureAdded, ReadingAdded, Stored
from wrongbit.casework.accept import beginning_of
from wrongbit.casework.casework import Casework
from wrongbit.casework.inputs import loaded_reading
from wrongbit.casework.witnesses import apart, withdrawing
from wrongbit.compare.build import build_memory_map
from wrongbit.compare.doubt import SET_UP, set_up_doubtful
from wrongbit.compare.memory_map import ChipMap
from wrongbit.errors import CaptureError, QuestionedError, WrongbitError
from wrongbit.image.contents import Contents
from wrongbit.image.load import load_chip_contents
from wrongbit.job import Job, compare_cycles, read_capture
from wrongbit.machine.lookup import rom_named
from wrongbit.machine.model import ImageFile, Listing
from wrongbit.reading.mistaken import Likeness, looks_like

FIRST_CYCLES = 1 << 14
"""Cycles by which a capture's set-up is judged before it is kept; a choice: more tell no more."""


def question_reading(work: Casework, path: Path, chip: str, format_: str = "auto", name: str = "") -> None:
    """A pass that holds another chip's contents would make that chip's bits this one's fault.

    Args:
        work: The case.
        path: What the reader gave; it fits the chip.
        chip: The ROM that it is said to be of.
        format_: One of `wrongbit.casework.accept.FORMATS`.
        name: What the person calls the file, where that is not its path.

    Raises:
        QuestionedError: It clearly agrees better with something else than with what the chip should hold.
    """
    detail = ReadingAdded(chip, Stored("", path.name, 0), format_)
    contents = loaded_reading(work.machine, path, detail).contents
    _question_contents(work, contents, chip, name or str(path))


def _question_contents(work: Casework, contents: Contents, chip: str, name: str) -> None:
    roms = _roms(work)
    mine = next((each for each in roms if each.name == chip), None)
    if mine is None:
        return
    like = looks_like(contents, mine, [each for each in roms if each.name != chip])
    if like is not None:
        raise QuestionedError(_says(like, chip), _cure(like, chip), file=name)


def _roms(work: Casework) -> list[ChipMap]:
    """Every ROM of the machine with what it should hold, as far as its references can be used."""
    machine, folder = work.machine, work.case.machine_file.parent
    found: dict[str, ChipMap] = {}
    for processor in machine.processor:
        try:
            chips = build_memory_map(machine, processor, folder).roms
        except WrongbitError:
            continue  # what is wrong with a reference is told where it is used
        for each in chips:
            found.setdefault(each.name, each)
    return list(found.values())


def _says(like: Likeness, chip: str) -> str:
    what = f"what {like.chip} should hold"
    turned = f" ({like.turned})" if like.turned else ""
    return (
        f"This looks like {what}{turned}, not like {chip}: of {like.places} places that tell the two apart, "
        f"{like.agrees} hold the one and {like.own} the other."
    )


def _cure(like: Likeness, chip: str) -> str:
    if like.chip != chip:
        again = f", and turn it round: {like.turned}" if like.turned else ""
        return (
            f"If it was read from {like.chip}, add it with that chip{again}; if it was meant to be "
            f"{chip}, look which chip is in the reader, and which image the machine file gives each."
        )
    return (
        f"Read {chip} again with the reader's settings looked at, save it without any conversion, and look "
        "at what the machine file says of its image."
    )


# -- captures ----------------------------------------------------------------------------------------------


def question_capture(work: Casework, path: Path, point: str, name: str = "") -> None:
    """A capture that its probe point cannot read, that is in the case at another, or of another set-up.

    Args:
        work: The case.
        path: The capture, which can be opened.
        point: Probe point.
        name: What the person calls the file, where that is not its path.

    Raises:
        QuestionedError: One of these.
    """
    told = name or str(path)
    _question_second_point(work, path, point, told)
    try:
        job = work.job(point)
    except WrongbitError:
        return  # machine file or references are not ready; the capture may well be
    try:
        cycles = _first_cycles(job, path)
    except CaptureError as error:
        raise QuestionedError(
            f"Its probe point {point!r} cannot read it: {error.message}",
            error.remedy,
            file=told,
            line=error.line,
            notes=error.notes,
        ) from None
    if cycles is None:
        return
    summary = compare_cycles(job, cycles, ()).summary
    if set_up_doubtful(summary):
        raise QuestionedError(
            f"Of {summary.agrees + summary.differs} reads at its beginning that can be judged only "
            f"{summary.agrees} agree with what should be there: it looks like another machine's, another "
            "probe point's or another set-up's.",
            SET_UP,
            file=told,
        )


def _first_cycles(job: Job, path: Path) -> Cycles | None:
    """The first cycles of a capture, in constant memory; None at a point that gives no bus cycles.

    Raises:
        CaptureError: There are none.
    """
    if job.point.chip is not None:
        return None
    if job.point.mode == "cycles":
        with beginning_of(path) as short:
            return read_capture(job, short)[0]
    if not job.point.address_trusted:
        return read_capture(job, path)[0]
    rebuilder = Rebuilder(job.processor, job.point)
    found, count = [], 0
    for chunk in open_samples(path, job.point, bus_widths(job.processor)).chunks():
        found.append(rebuilder.feed(chunk))
        count += len(found[-1])
        if count >= FIRST_CYCLES:
            break
    else:
        found.append(rebuilder.finish())
    cycles = Cycles.join(found)
    return cycles if len(cycles) else read_capture(job, path)[0]  # which says why there is none


def _question_second_point(work: Casework, path: Path, point: str, name: str) -> None:
    size, sha256 = path.stat().st_size, ""
    for entry, detail in work.case.of_kind(CaptureAdded):
        if detail.point == point or detail.file.byte_count != size:
            continue
        sha256 = sha256 or file_hash(path)
        if detail.file.sha256 == sha256 and not apart(work.machine, detail.point, point):
            raise QuestionedError(
                f"The same file is in the case already, at the probe point {detail.point!r} (entry "
                f"{entry.number}): what was seen once would count as seen at two places.",
                f"Add the capture that was taken at {point!r}, if this one was not; if entry {entry.number} "
                f"names the wrong point, withdraw it: {withdrawing(work.case.folder, entry.number)}",
                file=name,
            )


# -- references --------------------------------------------------------------------------------------------


def question_reference(
    work: Casework, path: Path, kind: str, chip: str, format_: str = "auto", name: str = ""
) -> None:
    """A reference that says nothing of its chip, or that is another chip's contents.

    Args:
        work: The case.
        path: The file, which fits the machine.
        kind: image, listing or twin.
        chip: The ROM that it is said to be of; empty for a listing of the whole machine.
        format_: One of `wrongbit.casework.accept.FORMATS`.
        name: What the person calls the file, where that is not its path.

    Raises:
        QuestionedError: It is probably not of this chip.
    """
    told = name or str(path)
    if kind == "listing":
        _question_listing(work, path, chip, format_, told)
        return
    if kind == "twin":
        question_reading(work, path, chip, "auto", name)
        return
    wanted = rom_named(work.machine, chip)
    order = work.machine.processor_of(wanted.processor).byte_order
    image = ImageFile.model_validate({"file": path.name, "format": format_})
    contents = load_chip_contents(image, wanted.words, wanted.bits, path.parent, byte_order=order)
    if not contents.known.any():
        raise QuestionedError(
            f"Nothing in it is of {chip}: no word lies at one of its {wanted.words} addresses.",
            f"Choose the image of {chip}, or the chip that it is of.",
            file=told,
        )
    _question_contents(work, contents, chip, told)


def _question_listing(work: Casework, path: Path, chip: str, format_: str, name: str) -> None:
    machine = work.machine
    wanted = next((each for each in machine.chip if each.name == chip), None)
    processor = machine.processor_of(wanted.processor) if wanted is not None else machine.processor[0]
    alone = Listing.model_validate(
        {
            "file": str(path.absolute()),
            "format": "listing" if format_ == "auto" else format_,
            "processor": processor.name,
        }
    )
    blank = tuple(each.model_copy(update={"image": None}) for each in machine.chip)
    bare = machine.model_copy(update={"chip": blank, "listing": (alone,)})
    roms = build_memory_map(bare, processor, work.case.machine_file.parent).roms
    mine = [each for each in roms if chip in ("", each.name)]
    if any(each.known.any() for each in mine):
        return
    elsewhere = [each.name for each in roms if each.known.any()]
    what = f"of {chip}" if chip else f"of any ROM of {processor.name}"
    also = f" What it lists lies in {', '.join(elsewhere)}." if elsewhere else ""
    raise QuestionedError(
        f"Nothing in it is {what}: no address that it lists lies there.{also}",
        "A listing has addresses as the processor sees them: look at its addresses and at the regions "
        f"of {chip or 'the chips'} in the machine file.",
        file=name,
    )
