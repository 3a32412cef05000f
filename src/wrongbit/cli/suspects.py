"""``wrongbit suspects``: which part it is, weighed by everything in a case folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from wrongbit.cli import options
from wrongbit.cli.show import ACCENT, err, out, print_json, progress_bar, show_cautions, show_next, show_notes
from wrongbit.job import DEFAULT_NOISE

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command("suspects")
def suspects_verb(
    folder: options.CaseFolder,
    noise: options.Noise = DEFAULT_NOISE,
    picture: Annotated[
        Path | None, typer.Option("--picture", help="Write the board map (SVG).", show_default=False)
    ] = None,
    as_json: options.Json = False,
) -> int:
    """Weigh the parts between chip and processor by all captures, readings and measurements of a case.

    Exit code 1 when something is wrong with the machine.
    """
    from wrongbit.casework.words import weighing_conclusion
    from wrongbit.cli.suspected import open_case, show_repair, show_suspects, weighing_as_json

    with progress_bar("Reading the captures", quiet=as_json) as progress:
        opened = open_case(folder, noise=noise, progress=progress)
    weighing = opened.weighing
    if picture is not None:
        _draw(picture, weighing)
    if as_json:
        print_json(weighing_as_json(weighing))
        return int(weighing.fault_seen)
    out.print(Text(opened.machine.machine.name, "bold"))
    show_cautions(opened.machine.machine.cautions)
    out.print()
    show_suspects(weighing)
    out.print()
    out.print(Text.assemble(("→ ", ACCENT), (weighing_conclusion(weighing), "bold")), soft_wrap=True)
    if opened.notes:
        out.print()
        show_notes(opened.notes)
    if picture is not None:
        err.print(f"{picture} was written.", soft_wrap=True)
    show_repair(folder, opened)
    if opened.proposals:
        show_next("what to measure, and what each outcome would mean", "next", folder)
    else:
        show_next("all of it on paper, for another person", "report", folder)
    return int(weighing.fault_seen)


def _draw(picture: Path, weighing: object) -> None:
    from wrongbit.diagnose.figure import board_map
    from wrongbit.diagnose.suspects import Weighing
    from wrongbit.errors import UsageError

    assert isinstance(weighing, Weighing)
    try:
        picture.write_text(board_map(weighing), encoding="utf-8")
    except OSError as error:
        raise UsageError(
            f"{picture} cannot be written: {error.strerror or error}.", "Name a file that you may write."
        ) from error
