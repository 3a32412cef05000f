"""``wrongbit serve`` from outside: its beginning, its end, and the mistakes that can be made."""

from __future__ import annotations

import os
import socket
import subprocess
import time
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

from web.cases import write_hollowmere
from web.served import WRONGBIT, start, stop
from wrongbit.case.folder import Case

pytestmark = pytest.mark.xdist_group("browser")


def said(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*WRONGBIT, "serve", *arguments], capture_output=True, text=True, timeout=60)


def test_a_folder_that_is_no_case(tmp_path: Path) -> None:
    found = said(str(tmp_path), "--no-browser")
    assert found.returncode == 2
    assert "machine.toml" in found.stderr and "wrongbit new" in found.stderr
    assert "Traceback" not in found.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    found = said(str(tmp_path / "nowhere"), "--no-browser")
    assert found.returncode == 2 and "nowhere" in found.stderr


def test_a_port_that_is_in_use(tmp_path: Path) -> None:
    write_hollowmere(tmp_path / "lift", cycles=50).close()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        found = said(str(tmp_path / "lift"), "--no-browser", "--port", port)
    assert found.returncode == 2
    assert f"Port {port} is in use" in found.stderr and "--port" in found.stderr


def test_it_stops_and_leaves_the_case_whole(tmp_path: Path) -> None:
    folder = tmp_path / "lift"
    write_hollowmere(folder, cycles=50).close()
    served = start(folder)
    with socket.create_connection(("127.0.0.1", served.port)):
        assert stop(served.process) == 0  # though somebody is connected
    assert served.complaints() == ""
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", served.port), timeout=2)
    with Case.open(folder) as case:
        assert case.verify() == ()


def test_the_token_is_in_no_command_line(tmp_path: Path) -> None:
    """Every user of a computer sees every command line (proc(5), /proc/pid/cmdline)."""
    folder = tmp_path / "lift"
    write_hollowmere(folder, cycles=50).close()
    told = tmp_path / "told"
    browser = tmp_path / "browser"
    browser.write_text(f'#!/bin/sh\necho "$@" > "{told}.part"; mv "{told}.part" "{told}"\n')
    browser.chmod(0o755)
    environment = {**os.environ, "BROWSER": f"{browser} %s"}
    with subprocess.Popen(
        [*WRONGBIT, "serve", str(folder)], stdout=subprocess.PIPE, text=True, env=environment
    ) as process:
        assert process.stdout is not None
        address = next(line.strip() for line in process.stdout if "http://" in line)
        deadline = time.monotonic() + 30
        while not told.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        given = told.read_text().strip()
        file = Path(unquote(urlsplit(given).path))
        assert given.startswith("file://") and address.partition("token=")[2] not in given
        assert file.stat().st_mode & 0o777 == 0o600
        assert f'content="0; url={address}"' in file.read_text()
        assert stop(process) == 0
    assert not file.exists()
    with Case.open(folder) as case:
        assert case.verify() == ()
