"""The machine file as text: checked, saved when it can be used, kept as a draft until then."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from wrongbit.bus.recipes import recipe_names
from wrongbit.case.durable import explained, write_whole
from wrongbit.case.folder import Case
from wrongbit.errors import InputError, MachineFileError, UsageError
from wrongbit.machine.load import LARGEST_FILE, read_machine
from wrongbit.machine.model import Machine

_saving = Lock()


@dataclass(frozen=True)
class MachineText:
    """What a person begins with.

    Args:
        text: The draft where there is one, else the machine file's.
        on_disk: SHA-256 of the machine file as it was read, to see whether somebody else has changed it.
        is_draft: The text is a draft's.
    """

    text: str
    on_disk: str
    is_draft: bool


def draft_of(case: Case) -> Path:
    """Where a draft is kept: beside the machine file."""
    return case.machine_file.with_suffix(".draft.toml")


def read_text(case: Case) -> MachineText:
    """The text to go on with.

    Raises:
        InputError: The machine file cannot be read, or is not UTF-8.
        CaseError: Likewise.
    """
    data = _bytes(case.machine_file)
    draft = draft_of(case)
    chosen = draft if draft.is_file() else case.machine_file
    text = _decoded(data if chosen is case.machine_file else _bytes(chosen), chosen)
    return MachineText(text, hashlib.sha256(data).hexdigest(), chosen is draft)


def check_text(case: Case, text: str) -> Machine:
    """The machine that a text describes.

    Raises:
        MachineFileError: It says something impossible, or names a file that is not there; all problems of it.
    """
    return read_machine(
        text,
        file=case.machine_file.name,
        folder=case.machine_file.parent,
        recipe_names=recipe_names(),
    )


def save_text(case: Case, text: str, on_disk: str, *, ends_draft: bool = True) -> str:
    """Make a text the case's machine file. The text before it stays in the store.

    Args:
        case: The case.
        text: The new text.
        on_disk: The hash that `read_text` gave.
        ends_draft: The text is what a draft has become: the draft goes.

    Returns:
        The hash of the file as it is now.

    Raises:
        MachineFileError: It cannot be used; nothing is written.
        UsageError: The file was changed by somebody else since it was read; nothing is written.
        CaseError: It cannot be written.
    """
    check_text(case, text)
    with _saving:  # two tabs that began with the same text: the later one is refused
        now = _saved(case, text, on_disk)
        if ends_draft:
            drop_draft(case)
        return now


def _saved(case: Case, text: str, on_disk: str) -> str:
    if hashlib.sha256(_bytes(case.machine_file)).hexdigest() != on_disk:
        raise UsageError(
            "The machine file was changed since this page was opened, by another program or on another page.",
            "Keep your text as a draft, or copy it; then open the page again.",
        )
    case.refresh()  # what is there now is in the store before it is written over
    data = text.encode()
    with explained(case.machine_file):
        write_whole(case.machine_file, data)
    case.refresh()
    return hashlib.sha256(data).hexdigest()


def keep_draft(case: Case, text: str) -> None:
    """Keep a text that cannot be used yet.

    Raises:
        UsageError: It is too large for a machine file.
        CaseError: It cannot be written.
    """
    data = text.encode()
    if len(data) > LARGEST_FILE:
        raise UsageError(
            f"The text has {len(data)} bytes; a machine file has at most {LARGEST_FILE}.", "Shorten it."
        )
    with explained(draft_of(case)):
        write_whole(draft_of(case), data)


def drop_draft(case: Case) -> None:
    """Take a draft away, when there is one."""
    with explained(draft_of(case)):
        draft_of(case).unlink(missing_ok=True)


def _bytes(path: Path) -> bytes:
    with explained(path, "read"):
        return path.read_bytes()


def _decoded(data: bytes, path: Path) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            "This is not UTF-8 text.", "Save it as UTF-8.", file=str(path), byte=error.start
        ) from None


def problems(error: MachineFileError) -> tuple[str, ...]:
    """Every problem of a text, one a line, with its place."""
    first = ": ".join(filter(None, (error.where(), error.message)))
    return (f"{first} {error.remedy}".rstrip(), *error.notes)
