"""``wrongbit history``: the journal of a case; withdrawing an entry."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer
from rich.text import Text

from wrongbit.case.details import KINDS, kind_of
from wrongbit.case.entries import Entry
from wrongbit.case.folder import Case
from wrongbit.cli import options
from wrongbit.cli.entered import entry_as_json, plain, says
from wrongbit.cli.show import QUIET, out, plain_table, print_json
from wrongbit.errors import UsageError

app = typer.Typer(add_completion=False, rich_markup_mode=None)

LONGEST = 300
"""Characters of an entry that are listed; --json has all."""


@app.command()
def history(
    folder: options.CaseFolder,
    everything: Annotated[bool, typer.Option("--all", help="Also entries that count no more.")] = False,
    kind: Annotated[
        list[str] | None,
        typer.Option("--kind", help=f"Only these: {', '.join(KINDS)}.", show_default=False),
    ] = None,
    withdraw: Annotated[
        int | None,
        typer.Option("--withdraw", metavar="NUMBER", help="Let an entry count no more.", show_default=False),
    ] = None,
    why: Annotated[str, typer.Option("--why", help="Reason of the withdrawal.", show_default=False)] = "",
    into_folder: Annotated[
        bool,
        typer.Option("--into-folder", help="Bring the journal from a workshop's database into the folder."),
    ] = False,
    as_json: options.Json = False,
) -> int:
    """Show what was captured, read, measured and found in a case, oldest first.

    Nothing is ever deleted: an entry that is wrong is withdrawn, and stays in the journal.
    """
    for each in kind or ():
        if each not in KINDS:
            raise UsageError(f"There is no kind of entry {each!r}.", f"There are: {', '.join(KINDS)}.")
    if why and withdraw is None:
        raise UsageError("--why gives the reason of a withdrawal.", "Name the entry with --withdraw NUMBER.")
    if withdraw is not None and not why.strip():
        raise UsageError(f"Why is entry {withdraw} withdrawn?", "Give the reason with --why '…'.")
    with Case.open(folder) as case:
        if into_folder:
            case.bring_journal()
        if withdraw is not None:
            entry = case.withdraw(withdraw, why)
            return _told(entry, as_json)
        entries = [each for each in case.entries(withdrawn=everything) if _wanted(each, kind)]
        name = case.name
    if as_json:
        print_json({"case": name, "entries": [entry_as_json(each) for each in entries]})
    else:
        _show(entries)
    return 0


def _wanted(entry: Entry, kinds: Sequence[str] | None) -> bool:
    return not kinds or kind_of(entry.detail) in kinds


def _told(entry: Entry, as_json: bool) -> int:
    if as_json:
        print_json({"entries": [entry_as_json(entry)]})
    else:
        out.print(f"Entry {entry.number}: {says(entry)}", soft_wrap=True)
    return 0


def _show(entries: Sequence[Entry]) -> None:
    if not entries:
        out.print("The journal has no such entry.")
        return
    last = entries[-1].at.astimezone()
    zone = last.strftime("%z")
    table = plain_table(
        ("no.", "right"), (f"when (UTC{zone[:3]}:{zone[3:]})", "left"), ("who", "left"), ("what", "left")
    )
    for each in entries:
        gone = each.withdrawn_by is not None
        when = each.at.astimezone(last.tzinfo).strftime("%Y-%m-%d %H:%M")  # all by the clock of the head
        what = Text(_listed(each))
        if gone:
            what.append(f" [withdrawn by {each.withdrawn_by}]", QUIET)
        table.add_row(str(each.number), when, Text(plain(each.by)), what, style=QUIET if gone else "")
    out.print(table)


def _listed(entry: Entry) -> str:
    text = says(entry)
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}…"
