"""What ``fit`` and ``files`` share: their options."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wrongbit.casework.plans import Asked, find_plans
from wrongbit.replace.fit import FAMILIES, Choice

__all__ = ["Asked", "find_plans"]

Source = Annotated[
    Path,
    typer.Argument(
        metavar="FILE",
        help="A machine file or a case folder, then with CHIP; or a requirement file.",
        show_default=False,
    ),
]
ShapeName = Annotated[
    str | None,
    typer.Option(
        "--shape",
        help="Machine file: whose pins the old chip has, such as 2764, where the file does not tell.",
        show_default=False,
    ),
]
SelectLevels = Annotated[
    list[str] | None,
    typer.Option(
        "--select",
        help="Machine file: active level of a select, as CS1=low, high or unused.",
        show_default=False,
    ),
]
LatchSignal = Annotated[
    str | None,
    typer.Option(
        "--latched-by",
        help="Machine file: pin and edge that latch the old chip's address, as 'ALE falling'.",
        show_default=False,
    ),
]
MemoryName = Annotated[
    str | None, typer.Option("--memory", help="Only this memory, such as 27C512.", show_default=False)
]
GradeName = Annotated[
    str | None, typer.Option("--grade", help="Only this speed grade, such as -15.", show_default=False)
]
LatchNumber = Annotated[str, typer.Option("--latch", help="Latch: 573 or 373.")]
FamilyNames = Annotated[
    list[str] | None,
    typer.Option(
        "--family",
        help="Logic families that may be used, first choice first.",
        show_default=", ".join(FAMILIES),
    ),
]
BufferNumber = Annotated[str, typer.Option("--buffer", help="Buffer: auto, none, 244, 245 or 240.")]
Margin = Annotated[float, typer.Option("--margin", min=0, max=90, help="Least margin in percent.")]
Images = Annotated[
    int | None,
    typer.Option("--images", min=1, max=64, help="Contents to choose from by jumpers.", show_default=False),
]
CurrentOnly = Annotated[bool, typer.Option("--made-today", help="Leave out parts that are no longer made.")]
CapturePath = Annotated[
    Path | None,
    typer.Option(
        "--capture",
        help="Machine file: take bus times from this capture where it shows them.",
        show_default=False,
    ),
]


def choice_of(
    memory: str | None,
    grade: str | None,
    latch: str,
    families: list[str] | None,
    buffer: str,
    margin: float,
    made_today: bool,
) -> Choice:
    """The options about parts as one value."""
    return Choice(
        memory=memory,
        grade=grade,
        latch=latch,
        families=tuple(families) if families else FAMILIES,
        buffer=buffer,
        margin_percent=margin,
        old_stock=not made_today,
    )
