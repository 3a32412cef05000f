"""Cases of invented machines with captures before and after a repair."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from casework.taken import capture_at
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.demo.case import DemoCase, write_case

CYCLES = 1500


@pytest.fixture(autouse=True)
def quiet_surroundings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WRONGBIT_DATABASE", raising=False)
    monkeypatch.setenv("WRONGBIT_PERSON", "Ada at bench 3")


@pytest.fixture(scope="session")
def recorder(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    """The tide recorder with a dead row: samples of its processor, whole cycles, its chip in a reader."""
    folder = tmp_path_factory.mktemp("recorder")
    return write_case(folder, "saltmarsh", cycles=CYCLES, points=["u1-timing", "u1-state", "u1-cycles"])


@pytest.fixture(scope="session")
def repaired(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    """The same after the repair, captured for longer."""
    folder = tmp_path_factory.mktemp("repaired")
    return write_case(
        folder, "saltmarsh", "none", cycles=2 * CYCLES, points=["u1-timing", "u1-state", "u1-cycles"]
    )


@pytest.fixture
def make(tmp_path: Path, recorder: DemoCase) -> Iterator[Callable[..., Case]]:
    """Makes a case of the recorder with captures at some probe points."""
    opened: list[Case] = []

    def made(*points: str) -> Case:
        folder = tmp_path / "case"
        folder.mkdir()
        for path in (recorder.machine_file, *recorder.images):
            name = "machine.toml" if path == recorder.machine_file else path.name
            (folder / name).write_bytes(path.read_bytes())
        case = Case.open(folder)
        opened.append(case)
        for point in points:
            case.add_capture(capture_at(recorder, point), point)
        return case

    yield made
    for case in opened:
        case.close()


@pytest.fixture
def work(make: Callable[..., Case]) -> Casework:
    """A case with one capture of samples."""
    return Casework(make("u1-timing"))
