"""What a journal's entries say. An entry is never changed or deleted; a later one can withdraw it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

ReferenceKind = Literal["image", "listing", "twin"]


@dataclass(frozen=True)
class Stored:
    """An original in the store.

    Args:
        sha256: Of its bytes, in hexadecimal; its place in the store.
        name: File name that it came with, for people; no path.
        byte_count: Its size.
    """

    sha256: str
    name: str
    byte_count: int


@dataclass(frozen=True)
class MachineSeen:
    """The machine file as it was from here on.

    Args:
        file: Its text, kept in the store.
    """

    file: Stored


@dataclass(frozen=True)
class CaptureAdded:
    """A capture.

    Args:
        point: Probe point of the machine file.
        file: The instrument's own file.
        note: For people.
    """

    point: str
    file: Stored
    note: str = ""


@dataclass(frozen=True)
class ReadingAdded:
    """One pass of a chip in a reader.

    Args:
        chip: Reference designator.
        file: The reader's own file.
        format: auto, binary, intel-hex or s-record.
        conditions: Supply, temperature and so on, as `wrongbit.reading.conditions` names them.
        note: For people.
    """

    chip: str
    file: Stored
    format: str = "auto"
    conditions: Mapping[str, str] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True)
class ReferenceAdded:
    """A further source of what a chip should hold: an image, a listing, the same chip of a twin machine.

    Args:
        chip: Reference designator; empty for a listing, which has addresses as the processor sees them.
        file: The file.
        kind: What it is.
        format: As the machine file names formats.
        note: For people.
    """

    chip: str
    file: Stored
    kind: ReferenceKind
    format: str = "auto"
    note: str = ""


@dataclass(frozen=True)
class MeasurementAdded:
    """Something done by hand: fields as `wrongbit.diagnose.hand.Measurement` has them.

    Args:
        kind: continuity, swapped, activity, ….
        part: Part, chip or probe point.
        line: As D5 or A12; empty where all lines are meant.
        carries: What the line carries, where it matters.
        outcome: What was found.
        note: For people.
    """

    kind: str
    part: str
    line: str = ""
    carries: str = ""
    outcome: str = ""
    note: str = ""


@dataclass(frozen=True)
class ValueAdded:
    """A value of the bring-up ladder measured by hand.

    Args:
        text: As ``wrongbit ladder --measured`` takes it: ``VCC = 4.9 V``.
        note: For people.
    """

    text: str
    note: str = ""


@dataclass(frozen=True)
class NoteAdded:
    """A person's own words.

    Args:
        text: Plain text.
    """

    text: str


@dataclass(frozen=True)
class ObjectDescribed:
    """Which object the machine is: the one that stands on the bench, among all of its type.

    Each field is None where this entry does not speak of it, so that what an earlier entry said holds on, and
    empty where nothing is to be said of it any more.

    Args:
        inventory: Its inventory or accession number.
        owner: Owner or institution.
        maker: Who made it.
        model: Model or type, as its maker named it.
        serial: Serial number.
        place: Where it stands.
        note: For people.
    """

    inventory: str | None = None
    owner: str | None = None
    maker: str | None = None
    model: str | None = None
    serial: str | None = None
    place: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class WorkDone:
    """Something done to the object itself.

    Args:
        kind: removed, fitted, replaced, ….
        part: Reference designator, or what it was done to.
        date: When, as far as it is known: 1987, 1987-05 or 1987-05-02.
        person: Who did it; empty: who wrote the entry.
        old: Marking of the part that came out.
        new: Marking of the part that went in.
        reversible: yes, no or in part; empty where nothing is said.
        kept: Where the old part is kept.
        note: For people.
    """

    kind: str
    part: str
    date: str
    person: str = ""
    old: str = ""
    new: str = ""
    reversible: str = ""
    kept: str = ""
    note: str = ""


@dataclass(frozen=True)
class WordsWaived:
    """Words that were wrong, and that a person lets be though nothing fresh has read them.

    Args:
        processor: On whose bus.
        bank: Bank, -1 where it was not known; 0 on a machine without banks.
        addresses: As the processor counts, rising.
        why: The person's reason.
    """

    processor: str
    bank: int
    addresses: tuple[int, ...]
    why: str


@dataclass(frozen=True)
class EvidenceRows:
    """What a finding rests on.

    Args:
        sha256: Of the original.
        rows: Rows, samples or words in it that show it; empty: all of it.
        says: What it is, for people.
    """

    sha256: str
    rows: tuple[int, ...] = ()
    says: str = ""


@dataclass(frozen=True)
class FindingRecorded:
    """A computed result, kept with what it rests on.

    Args:
        what: Which computation: compare, diagnose, explain, suspects, ladder, chip, rebuild, fit, proof.
        key: SHA-256 over all that went in (hashes of machine file, images and originals; parameters; the
            version that computed it): a result whose key is another's is stale.
        says: The result in one sentence.
        result: The result as JSON values.
        evidence: What it rests on.
    """

    what: str
    key: str
    says: str
    result: Mapping[str, Any]
    evidence: tuple[EvidenceRows, ...] = ()


@dataclass(frozen=True)
class Withdrawn:
    """An earlier entry that is not to count any more.

    Args:
        number: Which.
        why: The reason.
    """

    number: int
    why: str = ""


Detail = (
    MachineSeen
    | CaptureAdded
    | ReadingAdded
    | ReferenceAdded
    | MeasurementAdded
    | ValueAdded
    | NoteAdded
    | FindingRecorded
    | Withdrawn
    | ObjectDescribed
    | WorkDone
    | WordsWaived
)

Written = (
    MeasurementAdded | ValueAdded | NoteAdded | ObjectDescribed | WorkDone | WordsWaived | FindingRecorded
)
"""What brings no file and withdraws nothing."""


@dataclass(frozen=True)
class Entry:
    """One line of the journal.

    Args:
        number: Counted from 1 in each case.
        at: When, with its time zone (UTC).
        by: Who: ``WRONGBIT_PERSON``, or the user's name on this computer.
        version: Of wrongbit, that wrote it.
        detail: What it says; its class is the entry's kind.
        withdrawn_by: Number of the entry that withdrew it, or None.
    """

    number: int
    at: datetime
    by: str
    version: str
    detail: Detail
    withdrawn_by: int | None = None
