"""Run every example in the README and in docs/*.md, and write what it really printed below it.

An example is a block marked ``console`` whose first line is ``$ wrongbit …``. The examples of one document
are run in order in one empty folder, so that a later one can use what an earlier one wrote. A test keeps the
documents equal to what this prints.

    python tools/write_readme_examples.py
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = re.compile(r"```console\n\$ (wrongbit[^\n]*)\n(.*?)```\n", re.DOTALL)
WIDTH = 110


def documents() -> list[Path]:
    """Documents with examples."""
    found = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
    return [path for path in found if EXAMPLE.search(path.read_text(encoding="utf-8"))]


def printed(command: str) -> str:
    """What a command prints, standard error after standard output, without trailing blanks."""
    from wrongbit.cli.main import main
    from wrongbit.cli.show import err, out

    told, complained = io.StringIO(), io.StringIO()
    widths = out.width, err.width
    out.width = err.width = WIDTH
    try:
        with contextlib.redirect_stdout(told), contextlib.redirect_stderr(complained):
            main(shlex.split(command)[1:])
    finally:
        out.width, err.width = widths
    lines = (told.getvalue() + complained.getvalue()).splitlines()
    return "".join(f"{line.rstrip()}\n" for line in lines).strip("\n") + "\n"


def rendered(text: str) -> str:
    """The document with every example's output as it is now."""
    here = Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        try:
            return EXAMPLE.sub(lambda found: f"```console\n$ {found[1]}\n{printed(found[1])}```\n", text)
        finally:
            os.chdir(here)


if __name__ == "__main__":
    for path in documents():
        path.write_text(rendered(path.read_text(encoding="utf-8")), encoding="utf-8")
