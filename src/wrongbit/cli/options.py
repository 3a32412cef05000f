"""Arguments and options that several verbs share."""

from __future__ import annotations

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
