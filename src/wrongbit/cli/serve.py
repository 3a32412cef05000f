"""``wrongbit serve``: the workbench in the browser."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from wrongbit.cli.show import out

app = typer.Typer(add_completion=False, rich_markup_mode=None)


@app.command("serve")
def serve_verb(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Case folder.", show_default=False)],
    port: Annotated[
        int,
        typer.Option(
            "--port", min=0, max=65535, help="Port on this computer.", show_default="any that is free"
        ),
    ] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the address only.")] = False,
) -> int:
    """Open a case in the browser. Only this computer can reach it, with the token in the printed address.

    Stop it with Ctrl-C; everything is kept in the case folder.
    """
    from wrongbit.web.app import serve

    def ready(address: str) -> None:
        out.print(f"The workbench of {folder} is at", soft_wrap=True, markup=False, highlight=False)
        out.print(f"  {address}", soft_wrap=True, markup=False, highlight=False)
        out.print("Keep the address to yourself: it opens the case. Stop with Ctrl-C.", soft_wrap=True)
        out.file.flush()

    ended = serve(folder, port=port, open_browser=not no_browser, ready=ready)
    out.print("Stopped. Everything is in the case folder.")
    if not ended:
        # A computation that cannot be stopped would hold the terminal; it can be done again.
        out.file.flush()
        os._exit(0)
    return 0
