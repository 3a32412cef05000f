"""``wrongbit add``: what is probably a slip of the hand is told and not kept; ``--anyway`` keeps it.

What must be told follows from how each file was made: another chip's image, the same file a second time, a
capture without a bus cycle, another machine's, a listing of other addresses.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from wrongbit.case.entries import CaptureAdded, ReadingAdded, ReferenceAdded
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.cli.main import main
from wrongbit.demo.case import DemoCase, write_case


@pytest.fixture(scope="module")
def recorder(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    """An invented tide recorder with a dead row, at two probe points."""
    folder = tmp_path_factory.mktemp("recorder")
    return write_case(folder, "saltmarsh", cycles=800, points=["u1-state", "u1-cycles"])


@pytest.fixture
def tide(tmp_path: Path, recorder: DemoCase, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A case of it without any entry, in the working folder."""
    monkeypatch.delenv("WRONGBIT_DATABASE", raising=False)
    files = {path.name: path.read_bytes() for path in recorder.images}
    Case.create(tmp_path / "tide", {"machine.toml": recorder.machine_file.read_bytes(), **files}).close()
    monkeypatch.chdir(tmp_path)
    return tmp_path / "tide"


def taken(demo: DemoCase, point: str) -> Path:
    return next(each.path for each in demo.captures if each.point == point)


def kept(folder: Path, kind: type[CaptureAdded] | type[ReadingAdded] | type[ReferenceAdded]) -> int:
    with Case.open(folder) as case:
        return len(case.of_kind(kind))


def refused(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    assert main(["add", "tide", *words]) == 2
    return " ".join(capsys.readouterr().err.split())


def lanes(folder: Path) -> dict[str, bytes]:
    """What each ROM should hold, as a reader gives it."""
    with Case.open(folder) as case:
        work = Casework(case)
        roms = [each.name for each in work.machine.chip if each.kind == "rom"]
        return {name: work.reference(name).contents.astype("uint8").tobytes() for name in roms}


def test_a_reading_of_the_other_chip(tide: Path, capsys: pytest.CaptureFixture[str]) -> None:
    held = lanes(tide)
    (one, mine), (other, theirs) = list(held.items())[:2]
    Path("own.bin").write_bytes(mine)
    Path("other.bin").write_bytes(theirs)
    assert main(["add", "tide", "reading", "own.bin", "--chip", one]) == 0
    words = ["reading", "other.bin", "--chip", one]
    told = refused(words, capsys)
    assert f"looks like what {other} should hold" in told and "--anyway" in told
    assert kept(tide, ReadingAdded) == 1
    assert main(["add", "tide", *words, "--anyway"]) == 0
    assert kept(tide, ReadingAdded) == 2
    told = refused(["reference", "other.bin", "--kind", "twin", "--chip", one], capsys)
    assert f"looks like what {other} should hold" in told and not kept(tide, ReferenceAdded)


def test_the_same_file_at_a_second_point_is_questioned(
    tide: Path, recorder: DemoCase, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (tide / "machine.toml").read_text()
    own = next(each for each in text.split("[[point]]") if 'name = "u1-cycles"' in each).split("\n\n[")[0]
    again = own.replace('"u1-cycles"', '"elsewhere"')
    (tide / "machine.toml").write_text(f"{text}\n[[point]]{again}\n")
    path = str(taken(recorder, "u1-cycles"))
    assert main(["add", "tide", "capture", path, "--point", "u1-cycles"]) == 0
    with Case.open(tide) as case:
        alone = Casework(case).weighing()
    words = ["capture", path, "--point", "elsewhere"]
    told = refused(words, capsys)
    assert "already, at the probe point 'u1-cycles'" in told and "--withdraw" in told
    assert main(["add", "tide", *words, "--anyway"]) == 0
    with Case.open(tide) as case:
        both = Casework(case).weighing()
    assert alone is not None and both is not None
    assert len(alone.labels) == 1 and len(both.labels) == 2  # the person says that it was taken twice


def test_a_capture_without_a_bus_cycle_blocks_nothing(
    tide: Path, recorder: DemoCase, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = taken(recorder, "u1-state").read_text().splitlines()
    Path("still.csv").write_text("\n".join([lines[0], *[lines[1]] * 40]) + "\n")
    words = ["capture", "still.csv", "--point", "u1-state"]
    told = refused(words, capsys)
    assert "cannot read it" in told and "No bus cycle" in told and not kept(tide, CaptureAdded)
    assert main(["add", "tide", *words, "--anyway"]) == 0
    assert main(["add", "tide", "capture", str(taken(recorder, "u1-cycles")), "--point", "u1-cycles"]) == 0
    for verb in (["diagnose"], ["suspects"]):
        capsys.readouterr()
        assert main([verb[0], "tide"]) == 1
        said = capsys.readouterr()
        told = " ".join((said.out + said.err).split())
        assert "still.csv at u1-state, does not count" in told, verb
        assert "wrongbit history" in told and "--withdraw" in told
    assert main(["prove", "tide"]) != 2
    assert "still.csv at u1-state, does not count" in " ".join(capsys.readouterr().out.split())
    assert main(["report", "tide"]) == 0
    assert "To take it out of the case: wrongbit history" in (tide / "report.html").read_text()


def test_a_capture_of_another_machine(
    tide: Path, recorder: DemoCase, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = [line.split(",") for line in taken(recorder, "u1-cycles").read_text().splitlines()]
    word, draw = lines[0].index("Word"), random.Random(3)
    digits = len(lines[1][word])
    for line in lines[1:]:
        line[word] = f"{draw.randrange(1 << 16):0{digits}X}"
    Path("other.csv").write_text("\n".join(map(",".join, lines)) + "\n")
    told = refused(["capture", "other.csv", "--point", "u1-cycles"], capsys)
    assert "Check the set-up first" in told and not kept(tide, CaptureAdded)
    assert main(["add", "tide", "capture", "other.csv", "--point", "u1-cycles", "--anyway"]) == 0
    capsys.readouterr()
    assert main(["diagnose", "tide"]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "→ Check the set-up first" in said and "Look at" not in said


def test_a_listing_of_other_addresses(tide: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chip = next(iter(lanes(tide)))
    Path("far.lst").write_text("F000: 1234\nF001: 5678\n")
    for words in ([], ["--chip", chip]):
        told = refused(["reference", "far.lst", "--kind", "listing", *words], capsys)
        assert "Nothing in it is of" in told and not kept(tide, ReferenceAdded)
    assert main(["add", "tide", "reference", "far.lst", "--kind", "listing", "--anyway"]) == 0
