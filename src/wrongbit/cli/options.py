"""Arguments and options that several verbs share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

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
