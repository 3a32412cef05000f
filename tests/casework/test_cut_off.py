"""A diagnosis that is killed at any moment: the case opens, verifies, and says the same afterwards.

``WRONGBIT_KILLS=50`` asks for as many kills; by default there are a few.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework

KILLS = int(os.environ.get("WRONGBIT_KILLS", "5"))

DIAGNOSING = """
import itertools, sys
from pathlib import Path
import wrongbit
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework

case = Case.open(Path(sys.argv[1]))
print("open", flush=True)
for number in itertools.count(int(sys.argv[2])):
    wrongbit.__version__ = f"0.0.{number}"  # so that everything is computed and written again
    Casework(case).overview()
"""


@pytest.mark.slow
def test_killed_at_random_moments(make: Callable[..., Case]) -> None:
    case = make("u1-timing", "u1-cycles")
    expected = Casework(case).overview()
    chance = random.Random(20260102)
    kept = len(list((case.folder / "derived").rglob("*.parquet")))
    for kill in range(KILLS):
        command = [sys.executable, "-c", DIAGNOSING, str(case.folder), str(1000 * kill)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
            assert running.stdout is not None
            assert running.stdout.readline() == "open\n"
            time.sleep(chance.uniform(0, 4))
            running.send_signal(signal.SIGKILL)
        with Case.open(case.folder) as opened:
            assert opened.verify() == ()
            assert Casework(opened).overview(compute=False) == expected
            # What was half written is no obstacle to computing it again.
            for path in sorted((case.folder / "derived").rglob("cycles-*.parquet"))[:1]:
                path.write_bytes(path.read_bytes()[:-100])
            entry = Casework(opened).captures()[0][0]
            assert Casework(opened).comparison(entry).summary.differs == expected.captures[0].differs
    # The processes had come to something, other than what was there before.
    assert len(list((case.folder / "derived").rglob("*.parquet"))) > kept


def test_a_full_disk_loses_only_what_can_be_computed_again(
    make: Callable[..., Case], monkeypatch: pytest.MonkeyPatch
) -> None:
    case = make("u1-timing")

    def full(self: Path, target: Path) -> Path:
        if "derived" in self.parts:
            raise OSError(28, "No space left on device")
        os.replace(self, target)  # noqa: PTH105 - this stands in for the method
        return target

    expected = Casework(case).comparison(Casework(case).captures()[0][0])
    shutil.rmtree(case.folder / "derived")
    monkeypatch.setattr(Path, "replace", full)
    found = Casework(case).comparison(Casework(case).captures()[0][0])
    monkeypatch.undo()
    assert found.summary == expected.summary and found.notes == expected.notes
    left = [path for path in (case.folder / "derived").rglob("*") if path.is_file()]
    assert left == [] and case.verify() == ()
