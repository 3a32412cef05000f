"""A gigabyte of CSV brought in, by the command line and through the page in Chromium: memory and time.

References: sha256sum of coreutils over the same file for the time (an original has to be read and hashed at
least once), and 1.5 GB for the memory of the process that does it.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from time import perf_counter

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from chromium import ARGUMENTS, CHROMIUM
from web.served import WRONGBIT, start, stop
from wrongbit.case.folder import Case
from wrongbit.demo.case import write_case

SIZE = 1 << 30
LARGEST = 1.5e9


def write_large(path: Path, small: bytes) -> None:
    """A capture of this size: a real one's samples again and again, under its one heading."""
    head, _, rows = small.partition(b"\n")
    lines = [line.partition(b",")[2] for line in rows.splitlines() if line]
    number = 0
    with path.open("wb") as file:
        file.write(head + b"\n")
        while file.tell() < SIZE:
            file.write(b"".join(b"%d,%s\n" % (number + n, line) for n, line in enumerate(lines)))
            number += len(lines)


class Watch:
    """The largest resident memory of a process, in bytes, looked at until it is stopped."""

    def __init__(self, number: int) -> None:
        self.most = 0
        self._number, self._going = number, True
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def _look(self) -> None:
        while self._going:
            try:
                text = Path(f"/proc/{self._number}/status").read_text()
            except OSError:
                return
            for line in text.splitlines():
                if line.startswith("VmHWM"):
                    self.most = max(self.most, int(line.split()[1]) * 1024)
            time.sleep(0.1)

    def stop(self) -> int:
        self._going = False
        self._thread.join()
        return self.most


def _prepared(folder: Path) -> tuple[Callable[[str], Path], Path]:
    demo = write_case(folder / "files", "saltmarsh", cycles=4000, points=("u1-state",))
    small = demo.captures[0].path.read_bytes().replace(b"\t", b",")
    large = folder / "large.csv"
    write_large(large, small)
    files = {path.name: path.read_bytes() for path in demo.images} | {
        "machine.toml": demo.machine_file.read_bytes()
    }

    def case(name: str) -> Path:
        Case.create(folder / name, files).close()
        return folder / name

    return case, large


def _by_command(case: Path, large: Path) -> tuple[float, int]:
    begun = perf_counter()
    command = [*WRONGBIT, "add", str(case), "capture", str(large), "--point", "u1-state", "--json"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    watch = Watch(process.pid)
    assert process.wait() == 0
    return perf_counter() - begun, watch.stop()


def _by_page(case: Path, large: Path) -> tuple[float, float, int]:
    """Seconds until it is in and looked at, seconds until it is added, memory of the server."""
    from playwright.sync_api import sync_playwright

    served = start(case)
    watch = Watch(served.process.pid)
    try:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
            tab = browser.new_page()
            tab.set_default_timeout(400_000)
            tab.goto(served.address)
            tab.wait_for_selector("#page h1")
            tab.goto(served.base + "/bring_in")
            tab.wait_for_selector(".fd-input", state="attached")
            begun = perf_counter()
            tab.set_input_files(".fd-input", str(large))
            tab.wait_for_selector(".fd-list progress", state="attached")
            part = tab.get_by_role("region", name=large.name)
            part.get_by_text("agree with the reference").wait_for()
            seen = perf_counter() - begun
            begun = perf_counter()
            part.get_by_role("button", name="add").click()
            part.get_by_text("Added as entry").wait_for()
            added = perf_counter() - begun
            browser.close()
    finally:
        stop(served.process)
    return seen, added, watch.stop()


def rows() -> list[tuple[str, float, float, float]]:
    folder = Path(tempfile.mkdtemp(prefix="wrongbit-import-"))
    try:
        case, large = _prepared(folder)
        begun = perf_counter()
        subprocess.run(["sha256sum", str(large)], stdout=subprocess.DEVNULL, check=True)
        plain = perf_counter() - begun
        seconds, memory = _by_command(case("one"), large)
        seen, added, served = _by_page(case("two"), large)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    print(f"  (memory: command {memory / 1e6:.0f} MB, page {served / 1e6:.0f} MB, of {LARGEST / 1e6:.0f} MB)")
    assert max(memory, served) < LARGEST
    return [
        ("1 GiB of CSV added by 'wrongbit add', against sha256sum", seconds, plain, seconds / plain),
        ("1 GiB of CSV sent to the page and previewed, against sha256sum", seen, plain, seen / plain),
        ("1 GiB of CSV added from the page, against sha256sum", added, plain, added / plain),
    ]


if __name__ == "__main__":
    for row in rows():
        print(*row, sep="  ")
