"""``wrongbit verify``: is everything in a case as it was kept?"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from wrongbit.case.folder import Case, verify_folder
from wrongbit.case.troubles import Trouble
from wrongbit.cli import options
from wrongbit.cli.entered import plain, size_text
from wrongbit.cli.show import ACCENT, QUIET, out, print_json, progress_bar

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command()
def verify(
    folder: options.CaseFolder,
    restore: Annotated[
        list[Path] | None,
        typer.Option(
            "--restore", metavar="FILE", show_default=False,
            help="First put an original back that is missing or was changed, from a file with its bytes.",
        ),
    ] = None,
    as_json: options.Json = False,
) -> int:  # fmt: skip
    """Hash every original of a case again and check every entry of its journal.

    Exit code 1 when something is not as it was kept.
    """
    for each in restore or ():
        with Case.open(folder, take_in=False) as case:
            stored = case.restore(each)
        if not as_json:
            out.print(f"{plain(stored.name)} is back in the store.", soft_wrap=True)
    last = [0]

    def count(done: int, total: int) -> None:
        last[0] = done
        progress(done, total)

    with progress_bar("Hashing the originals", quiet=as_json) as progress:
        troubles = verify_folder(folder, count)
    if as_json:
        print_json({"sound": not troubles, "troubles": [asdict(each) for each in troubles]})
    elif troubles:
        _show(troubles)
    else:
        entries, originals = _counts(folder)
        out.print(
            f"All is as it was kept: {entries} entries, {originals} originals ({size_text(last[0])}).",
            soft_wrap=True,
        )
    return 1 if troubles else 0


def _counts(folder: Path) -> tuple[int, int]:
    with Case.open(folder, take_in=False) as case:
        return len(case.entries(withdrawn=True)), case.original_count()


def _show(troubles: tuple[Trouble, ...]) -> None:
    for each in troubles:
        out.print(Text.assemble((f"▲ {each.kind}: ", ACCENT), plain(each.message)), soft_wrap=True)
        if each.path:
            out.print(Text(f"  {plain(each.path)}", QUIET), soft_wrap=True)
    out.print()
    for remedy in dict.fromkeys(each.remedy for each in troubles):
        out.print(f"→ {remedy}", soft_wrap=True)
