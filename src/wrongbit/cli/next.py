"""``wrongbit next``: what to measure next, where to clip on, and what each outcome would mean."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.text import Text

from wrongbit.cli import options
from wrongbit.cli.show import ACCENT, out, print_json, progress_bar, show_cautions
from wrongbit.job import DEFAULT_NOISE

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command("next")
def next_verb(
    folder: options.CaseFolder,
    most: Annotated[int, typer.Option("--most", min=1, help="Show so many with their outcomes.")] = 3,
    noise: options.Noise = DEFAULT_NOISE,
    dictionary: Annotated[
        str | None,
        typer.Option(
            "--dictionary",
            help="Folder of fault dictionaries, from 'wrongbit batch --dictionary'.",
            show_default=False,
        ),
    ] = None,
    as_json: options.Json = False,
) -> int:
    """Rank the measurements that could be made by the doubt that they remove for their effort.

    Exit code 1 when something is wrong with the machine.
    """
    from wrongbit.casework.words import share_text, weighing_conclusion
    from wrongbit.cli.suspected import (
        confirmations_as_json,
        open_case,
        proposals_as_json,
        show_confirmations,
        show_proposals,
        show_repair,
        weighing_as_json,
    )
    from wrongbit.diagnose.confirm import decided_part
    from wrongbit.diagnose.entropy import doubt_text
    from wrongbit.diagnose.planning import proposals

    with progress_bar("Reading the captures", quiet=as_json) as progress:
        opened = open_case(folder, noise=noise, progress=progress)
    weighing = opened.weighing
    foretold = None
    if dictionary is not None:
        from wrongbit.batch.dictionary import open_dictionary

        foretold = open_dictionary(folder, dictionary).signature
    found = opened.proposals if foretold is None else proposals(weighing, foretold=foretold)
    if as_json:
        told = weighing_as_json(weighing)
        more = {"next": proposals_as_json(opened.machine, found), "confirm": confirmations_as_json(weighing)}
        print_json({**told, **more})
        return int(weighing.fault_seen)
    out.print(Text(opened.machine.machine.name, "bold"))
    show_cautions(opened.machine.machine.cautions)
    out.print()
    first = ", ".join(f"{each.part} {share_text(each.share)}" for each in weighing.suspects()[:5])
    out.print(f"Suspects now: {first}. Doubt: {doubt_text(weighing.doubt)}.", soft_wrap=True)
    out.print()
    show_proposals(opened.machine, found, most=most)
    out.print()
    if decided_part(weighing):
        show_confirmations(weighing)
        out.print()
    out.print(Text.assemble(("→ ", ACCENT), (weighing_conclusion(weighing), "bold")), soft_wrap=True)
    show_repair(folder, opened)
    return int(weighing.fault_seen)
