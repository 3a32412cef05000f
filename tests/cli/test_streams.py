"""Output into closed, full and narrow-minded streams; interruption at any time, in a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from wrongbit.demo.case import write_case

RUN = "from wrongbit.cli.main import run; run()"


@pytest.fixture(scope="module")
def order(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    case = write_case(tmp_path_factory.mktemp("streams"), "quarrybank", "none", cycles=300)
    return ["diagnose", str(case.machine_file), str(case.captures[0].path), "--point", case.captures[0].point]


def wrongbit(*words: str, prefix: str = "", **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-c", prefix + RUN, *words],
        capture_output=True,
        env={**os.environ, **environment},
        check=False,
    )


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "cp850"])
def test_an_alphabet_without_our_marks(order: list[str], encoding: str) -> None:
    for words in ([], order, ["check", "nowhere→.toml"]):
        done = wrongbit(*words, PYTHONIOENCODING=encoding)
        assert b"Traceback" not in done.stderr
        assert done.returncode == (2 if words[:1] == ["check"] else 0)
    page = wrongbit(*order, PYTHONIOENCODING="ascii").stdout.decode("ascii")
    assert " - U1 at probe point" in page
    told = json.loads(wrongbit(*order, "--json", PYTHONIOENCODING="ascii").stdout.decode("ascii"))
    assert told["fault_seen"] is False


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_is_told(order: list[str]) -> None:
    for words in ([], order, [*order, "--json"]):
        with Path("/dev/full").open("wb") as full:
            done = subprocess.run(
                [sys.executable, "-c", RUN, *words], stdout=full, stderr=subprocess.PIPE, check=False
            )
        assert (done.returncode, done.stderr) == (
            2,
            b"wrongbit: The output: No space left on device.\n",
        )


@pytest.mark.parametrize("stream", [1, 2])
def test_a_closed_stream_is_no_crash(order: list[str], stream: int) -> None:
    script = f'exec "$0" -c "{RUN}" "$@" {stream}>&-'
    done = subprocess.run(["sh", "-c", script, sys.executable, *order], capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")


def test_an_interruption_is_told_in_a_line() -> None:
    """The signal comes while a verb's modules are being loaded, which takes longest."""
    prefix = (
        "import os, signal, wrongbit.cli.main as m; "
        f"m.import_module = lambda name: os.kill(os.getpid(), {int(signal.SIGINT)}); "
    )
    done = wrongbit("check", "x.toml", prefix=prefix)
    assert done.returncode == 130
    assert done.stderr == b"wrongbit: interrupted; nothing was left half-written.\n"
