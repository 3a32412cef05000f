"""The errors that a person at the bench may see.

    WrongbitError
    ├── InputError          a file or a value from outside cannot be used (exit code 2)
    │   ├── MachineFileError    the machine file
    │   ├── ImageError          ROM contents: Intel HEX, S-record, binary, listing
    │   ├── CaptureError        a capture: CSV, VCD, typed text
    │   ├── CaseError           a case folder: its journal, its store
    │   └── QuestionedError     a file that is probably not what it is brought in as
    └── UsageError          the command was asked for something that it cannot do (exit code 2)

An error tells where (file, line or byte or key), what was found, what was expected and what to do.
Only the command line turns an error into text and an exit code; rooms below raise and never print.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(eq=False)
class WrongbitError(Exception):
    """Root of every error meant for a person.

    Args:
        message: What is wrong, in one plain sentence, with the value found and what was expected.
        remedy: What the person can do about it, in one plain sentence.
        file: The file at fault, as the person named it.
        line: Line number in that file, counted from 1.
        byte: Offset in that file, counted from 0.
        key: Key path in a machine file, such as ``chip[2].lane``.
        notes: Further lines, for example what each tried format said.
    """

    message: str
    remedy: str = ""
    file: str | None = None
    line: int | None = None
    byte: int | None = None
    key: str | None = None
    notes: tuple[str, ...] = field(default=())

    def where(self) -> str:
        """The place at fault as text, or an empty string.

        >>> InputError("bad", file="a.hex", line=3).where()
        'a.hex, line 3'
        """
        parts = []
        if self.file is not None:
            parts.append(self.file)
        if self.line is not None:
            parts.append(f"line {self.line}")
        if self.byte is not None:
            parts.append(f"byte {self.byte}")
        if self.key is not None:
            parts.append(f"key {self.key}")
        return ", ".join(parts)

    def __str__(self) -> str:
        where = self.where()
        text = f"{where}: {self.message}" if where else self.message
        return f"{text} {self.remedy}".rstrip()


class InputError(WrongbitError):
    """A file or a value that came from outside cannot be used."""


class MachineFileError(InputError):
    """The machine file is not readable TOML, or says something impossible."""


class ImageError(InputError):
    """ROM contents cannot be read: bad checksum, overlapping records, no usable line."""


class CaptureError(InputError):
    """A capture cannot be read or holds nothing that can be used."""


class CaseError(InputError):
    """A case's journal or store cannot be used: damaged, of a newer version, locked, no room on the disk."""


class QuestionedError(InputError):
    """A file can be read, but is probably not what it is brought in as; a person may want it all the same."""


class UsageError(WrongbitError):
    """The command was asked for something that does not fit its input."""


def why_unreadable(error: OSError) -> tuple[str, str]:
    """Why a file cannot be read, and what to do, in plain words.

    >>> why_unreadable(IsADirectoryError(21, "Is a directory"))
    ('This is a folder, not a file.', 'Name the file in it that is meant.')
    """
    if isinstance(error, IsADirectoryError):
        remedy = "Name the file in it that is meant."
        return "This is a folder, not a file.", remedy
    if isinstance(error, FileNotFoundError):
        return "There is no such file.", "Check the name and the folder."
    return f"The file cannot be read: {error.strerror or error}.", "Check the name and the permissions."
