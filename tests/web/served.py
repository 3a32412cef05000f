"""A workbench served in a process of its own, and how a test waits for its pages."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

START_SECONDS = 60
WRONGBIT = (sys.executable, "-c", "from wrongbit.cli.main import run; run()")


@dataclass(frozen=True)
class Served:
    """A workbench that is being served.

    Args:
        folder: Its case.
        address: As printed, with the token.
        process: The server.
        log: What it says on its standard error.
    """

    folder: Path
    address: str
    process: subprocess.Popen[str]
    log: Path

    @property
    def base(self) -> str:
        """The address without path and token."""
        return self.address.partition("/?")[0]

    def complaints(self) -> str:
        """What the server says on its standard error.

        Left out: that a busy computer did not let the page library's tasks end in time, when it was stopped.
        """
        lines = self.log.read_text().splitlines(keepends=True)
        return "".join(line for line in lines if not line.startswith("Could not cancel "))

    @property
    def port(self) -> int:
        return int(self.base.rpartition(":")[2])

    @property
    def token(self) -> str:
        return self.address.partition("token=")[2]


def start(folder: Path, *options: str) -> Served:
    """Serve a case in a process of its own, as a person would, and wait for the address."""
    command = [*WRONGBIT, "serve", folder.name, "--no-browser", *options]
    environment = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST_")}
    log = folder.with_name(f"{folder.name}.log")
    with log.open("w") as errors:
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=errors, text=True, env=environment, cwd=folder.parent
        )
    assert process.stdout is not None
    deadline = time.monotonic() + START_SECONDS
    for line in process.stdout:
        if "http://" in line:
            return Served(folder, line.strip(), process, log)
        if time.monotonic() > deadline:
            break
    stop(process)
    raise AssertionError(f"the server did not start: {log.read_text()}")


def stop(process: subprocess.Popen[str]) -> int:
    """As Ctrl-C does."""
    if process.poll() is None:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(timeout=15)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    if process.stdout is not None:
        process.stdout.close()
    return process.returncode


def ready(tab: Any, path: str, served: Served) -> None:
    """Open a page and wait until its parts are computed."""
    tab.goto(served.base + path)
    tab.wait_for_selector("#page h1")
    tab.wait_for_function("[...document.querySelectorAll('.wb-live')].every(e => e.ariaBusy === 'false')")
