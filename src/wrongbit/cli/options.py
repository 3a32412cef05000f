"""Arguments and options that several verbs share."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from wrongbit.errors import UsageError

MachineFile = Annotated[
    Path, typer.Argument(metavar="MACHINE", help="The machine file (TOML).", show_default=False)
]
CaptureFile = Annotated[
    Path, typer.Argument(metavar="CAPTURE", help="CSV, VCD or typed text.", show_default=False)
]
ChipName = Annotated[
    str | None,
    typer.Argument(
        metavar="CHIP", help="The chip's name in the machine file, such as U7.", show_default=False
    ),
]
ChipOption = Annotated[
    str | None,
    typer.Option("--chip", metavar="CHIP", help="The same, as an option.", show_default=False),
]
PointName = Annotated[
    str | None, typer.Option("--point", help="Probe point that the capture was taken at.", show_default=False)
]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
CaseFolder = Annotated[
    Path,
    typer.Argument(
        metavar="FOLDER", help="Case folder, with machine.toml and case.toml.", show_default=False
    ),
]


def chip_and_files(
    word: str | None, rest: Sequence[Path], named: str | None
) -> tuple[str | None, list[Path]]:
    """The chip, by position or by ``--chip``, and the files that stand with it.

    Args:
        word: What stands first after the machine.
        rest: What stands after it.
        named: What ``--chip`` says; then the first word is a file, unless it says the same.

    >>> chip_and_files("U3", [Path("a.bin")], None)
    ('U3', [PosixPath('a.bin')])
    >>> chip_and_files("a.bin", [], "U3"), chip_and_files("U3", [], "U3")
    (('U3', [PosixPath('a.bin')]), ('U3', []))
    """
    if named is None:
        return word, list(rest)
    if word is None or (word == named and not Path(word).is_file()):
        return named, list(rest)
    return named, [Path(word), *rest]


def chip_meant(word: str | None, named: str | None) -> str | None:
    """The chip of a verb that takes no files beside it.

    Raises:
        UsageError: Position and ``--chip`` name two.
    """
    if word is not None and named is not None and word != named:
        raise UsageError(f"Two chips are named: {word} and {named}.", "Name one chip.")
    return named if word is None else word


def checked_noise(noise: float) -> float:
    """A noise rate that the weighing can work with.

    Raises:
        UsageError: It is not above 0 and below 0.5.
    """
    if not 0 < noise < 0.5:
        raise UsageError(f"The noise rate is {noise}.", "Give a number above 0 and below 0.5.")
    return noise


Noise = Annotated[
    float,
    typer.Option(
        "--noise", help="Probability that a bit is read wrong for no other reason.", callback=checked_noise
    ),
]
ReadNoise = Annotated[
    float,
    typer.Option(
        "--noise", help="Probability that a sound bit is read wrong in one pass.", callback=checked_noise
    ),
]
