"""Chips and probe points are named the same way with every verb, and a slip is told the same way."""

from __future__ import annotations

from pathlib import Path

import pytest

from wrongbit.cli.main import main
from wrongbit.demo.case import DemoCase, write_case


@pytest.fixture(scope="module")
def kiln(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    folder = tmp_path_factory.mktemp("kiln") / "kiln"
    return write_case(folder, "quarrybank", cycles=2000, points=["u1-timing"], whole=True)


@pytest.fixture
def here(kiln: DemoCase, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(kiln.folder.parent)
    return kiln.folder


def printed(capsys: pytest.CaptureFixture[str], command: str) -> tuple[int, str]:
    code = main(command.split()[1:])
    told = capsys.readouterr()
    return code, told.out + " ".join(told.err.split())


@pytest.mark.parametrize(
    ("by_place", "by_option"),
    [
        (
            "wrongbit chip kiln/quarrybank.toml U3 kiln/u3-1.bin kiln/u3-2.bin",
            "wrongbit chip kiln/quarrybank.toml kiln/u3-1.bin kiln/u3-2.bin --chip U3",
        ),
        (
            "wrongbit rebuild kiln/quarrybank.toml U3 --reading kiln/u3-1.bin",
            "wrongbit rebuild kiln/quarrybank.toml --chip U3 --reading kiln/u3-1.bin",
        ),
        (
            "wrongbit fit kiln/quarrybank.toml U3 --memory 27C64",
            "wrongbit fit kiln/quarrybank.toml --chip U3 --memory 27C64",
        ),
        (
            "wrongbit files kiln/quarrybank.toml U3 kiln/u3.bin --memory 27C64 --replace",
            "wrongbit files kiln/quarrybank.toml kiln/u3.bin --chip U3 --memory 27C64 --replace",
        ),
        ("wrongbit files kiln U3 --replace", "wrongbit files kiln --chip U3 --replace"),
        ("wrongbit fit kiln U3 --chip U3 --memory 27C64", "wrongbit fit kiln --chip U3 --memory 27C64"),
    ],
)
def test_a_chip_is_named_by_place_or_by_option(
    by_place: str, by_option: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = printed(capsys, by_place)
    assert told[0] in (0, 1) and "U3" in told[1]
    assert printed(capsys, by_option) == told


@pytest.mark.parametrize("verb", ["chip", "rebuild", "fit", "files"])
@pytest.mark.parametrize("place", ["kiln", "kiln/quarrybank.toml"])
def test_a_chip_that_is_not_there(
    verb: str, place: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more = " --reading kiln/u3-1.bin" if verb == "rebuild" and place != "kiln" else ""
    for command in (f"wrongbit {verb} {place} u33{more}", f"wrongbit {verb} {place} --chip u33{more}"):
        code, told = printed(capsys, command)
        assert code == 2
        assert "Quarrybank kiln programmer has no chip 'u33'. → Did you mean 'U3'? Its " in told
    code, told = printed(capsys, f"wrongbit {verb} {place}")
    assert code == 2
    assert "Which chip of Quarrybank kiln programmer is meant?" in told and "U2, U3" in told


@pytest.mark.parametrize("verb", ["rebuild", "fit"])
def test_two_chips_are_one_too_many(verb: str, here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, told = printed(capsys, f"wrongbit {verb} kiln U2 --chip U3")
    assert (code, told) == (2, "wrongbit: Two chips are named: U2 and U3. → Name one chip.")


def test_the_words_on_a_chip_are_the_same_everywhere(capsys: pytest.CaptureFixture[str]) -> None:
    for verb in ("chip", "rebuild", "fit", "files"):
        code, told = printed(capsys, f"wrongbit {verb} --help")
        assert code == 0
        assert "The chip's name in the machine file, such as U7." in " ".join(told.split())
        assert "The same, as an option." in told


@pytest.mark.parametrize(
    "command",
    [
        "wrongbit cycles kiln/quarrybank.toml kiln/u1-timing.csv --point u1-timin",
        "wrongbit leads kiln/quarrybank.toml kiln/u1-timing.csv --point u1-timin",
        "wrongbit recover kiln/quarrybank.toml kiln/u1-timing.csv --point u1-timin",
        "wrongbit pair kiln/quarrybank.toml kiln/u1-timing.csv kiln/u1-timing.csv --point u1-timin",
        "wrongbit compare kiln/quarrybank.toml kiln/u1-timing.csv --point u1-timin",
        "wrongbit explain kiln/quarrybank.toml kiln/u1-timing.csv --point u1-timin",
        "wrongbit diagnose kiln/quarrybank.toml kiln/u1-timing.csv --point u1-timin",
        "wrongbit compare kiln --point u1-timin",
        "wrongbit explain kiln --point u1-timin",
        "wrongbit diagnose kiln --point u1-timin",
        "wrongbit add kiln capture kiln/u1-timing.csv --point u1-timin",
        "wrongbit prove kiln --capture kiln/u1-timing.csv --point u1-timin",
        "wrongbit ladder kiln/quarrybank.toml --capture kiln/u1-timing.csv --point u1-timin",
        "wrongbit rebuild kiln/quarrybank.toml U3 --capture kiln/u1-timing.csv --point u1-timin",
        "wrongbit rebuild kiln/quarrybank.toml U3 --reading kiln/u3-1.bin --point u1-timin",
        "wrongbit fit kiln/quarrybank.toml U3 --point u1-timin",
        "wrongbit fit kiln U3 --capture kiln/u1-timing.csv --point u1-timin",
        "wrongbit demo --machine quarrybank --point u1-timin --folder elsewhere",
    ],
)
def test_a_probe_point_that_is_not_there(
    command: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, told = printed(capsys, command)
    assert code == 2
    assert "uarrybank kiln programmer has no probe point 'u1-timin'." in told
    assert "Did you mean 'u1-timing'? Its probe points are: u1-timing, u1-changes" in told
