"""What files that are brought in seem to be: the demo machines' own files, whose nature is known."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest

from wrongbit.bus.recipes import recipe_names
from wrongbit.demo.case import write_case
from wrongbit.errors import InputError
from wrongbit.job import Job, open_job
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Machine
from wrongbit.web.incoming import LOOK, Guess, drop, drop_stale, guess, look, waiting_place

POINTS = ("u1-timing", "u1-changes", "u1-state", "u1-cycles", "u1-screen")


class Bench:
    """A demo machine with a capture of each kind."""

    def __init__(self, folder: Path) -> None:
        self.case = write_case(folder, "saltmarsh", cycles=3000, points=POINTS)
        self.machine: Machine = load_machine(self.case.machine_file, recipe_names=recipe_names())

    def job(self, point: str) -> Job:
        return open_job(self.case.machine_file, point=point)

    def guess(self, path: Path, name: str | None = None) -> Guess:
        return guess(self.machine, path, name or path.name, self.job)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("saltmarsh"))


@pytest.mark.parametrize("point", POINTS)
def test_a_capture_goes_to_its_point(bench: Bench, point: str) -> None:
    capture = next(each for each in bench.case.captures if each.point == point)
    found = bench.guess(capture.path)
    assert (found.what, found.point) == ("capture", point)


def test_the_words_tell_the_point_where_the_name_does_not(bench: Bench) -> None:
    capture = next(each for each in bench.case.captures if each.point == "u1-timing")
    found = bench.guess(capture.path, "export 17.csv")
    assert found.what == "capture"
    assert bench.job(found.point).point.mode == "timing"


def test_readings_images_and_listings(bench: Bench, tmp_path: Path) -> None:
    rom = next(chip for chip in bench.machine.chip if chip.kind == "rom")
    binary = tmp_path / f"pass1-{rom.name}.bin"
    binary.write_bytes(
        np.random.default_rng(1).integers(0, 256, rom.words * rom.bits // 8, np.uint8).tobytes()
    )
    found = bench.guess(binary)
    assert (found.what, found.chip) == ("reading", rom.name)
    assert "as long as the chip" in found.why
    assert bench.guess(bench.case.folder / "bank1.hex").what == "reading"
    assert bench.guess(bench.case.folder / "bank0.lst").what == "listing"


def test_a_capture_of_another_machine_is_a_table_also_below_an_instruments_preamble(
    bench: Bench, tmp_path: Path
) -> None:
    path = tmp_path / "other.csv"
    rows = "".join(f"{row},{row * 100},{row:04X},0,1\n" for row in range(200))
    path.write_text(
        f"# Export, 24 channels, 1.4 V\n# Period: 100 ns\n\nSample,Time [ns],WIRES,GO,HALT\n{rows}"
    )
    found = bench.guess(path)
    assert found.what == "capture" and "no probe point fits" in found.why


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "empty"),
        (b"PK\x03\x04" + bytes(100), "packed (zip)"),
        (b"\x1f\x8b\x08" + bytes(100), "packed (gzip)"),
        (b"(\xb5/\xfd" + bytes(100), "packed (zstd)"),
    ],
)
def test_what_is_empty_or_packed_is_refused(bench: Bench, tmp_path: Path, data: bytes, told: str) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(data)
    with pytest.raises(InputError) as refused:
        bench.guess(path, "my file.csv")
    assert told in refused.value.message
    assert refused.value.file == "my file.csv"


def test_one_endless_line_is_told_and_only_its_beginning_is_read(bench: Bench, tmp_path: Path) -> None:
    """A gibibyte without a line end, as a hole in the file: reading all of it would show."""
    path = tmp_path / "bomb.csv"
    with path.open("wb") as file:
        file.write(b"Sample,RD\n" + b"1," * 40_000)
        file.truncate(1 << 30)
    begun = time.process_time()
    preview = look(bench.job("u1-state"), path, bench.job("u1-state").point)
    assert preview.problem is not None
    assert preview.problem.file == "bomb.csv"
    assert time.process_time() - begun < 20
    assert sum(each.stat().st_size for each in tmp_path.glob("beginning-*")) <= LOOK


def test_a_preview_shows_the_files_own_first_rows(bench: Bench) -> None:
    capture = next(each for each in bench.case.captures if each.point == "u1-timing")
    preview = look(bench.job("u1-timing"), capture.path, bench.job("u1-timing").point)
    lines = capture.path.read_text().splitlines()
    assert preview.beginning is not None
    head = next(n for n, line in enumerate(lines) if line.startswith(preview.beginning.headings[0]))
    assert list(preview.beginning.headings) == lines[head].split(",")
    assert [",".join(row) for row in preview.beginning.rows] == lines[head + 1 : head + 7]
    assert dict(zip(preview.beginning.headings, preview.beginning.uses, strict=True))["ADBUS"] == "AD"
    assert preview.cycles > 20
    assert preview.agreement > 0.8
    assert preview.carried > 0.5


def test_other_columns_make_other_words(bench: Bench) -> None:
    """With the bus taken for nothing no word is seen: what is shown follows the correction."""
    job = bench.job("u1-timing")
    capture = next(each for each in bench.case.captures if each.point == "u1-timing")
    point = job.point.model_copy(update={"columns": {}, "ignore": ("ADBUS",)})
    preview = look(job, capture.path, point)
    assert preview.problem is not None or preview.agreement == 0.0


@pytest.mark.parametrize(
    "name", ["../../../etc/passwd", "..\\..\\x.csv", "/etc/shadow", "a\x00b", "", "..", "NUL"]
)
def test_no_name_leads_out(tmp_path: Path, name: str) -> None:
    def derived(wanted: str) -> Path:
        path = tmp_path / "derived" / wanted
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    path = waiting_place(derived, name)
    assert path.resolve().is_relative_to((tmp_path / "derived" / "incoming").resolve())
    path.write_bytes(b"x")
    assert [each for each in tmp_path.rglob("*") if each.is_file()] == [path]
    drop(path)
    assert not path.parent.exists()


def test_what_waited_for_days_goes(tmp_path: Path) -> None:
    old, young = tmp_path / "old", tmp_path / "young"
    for each in (old, young):
        each.mkdir()
        (each / "x.csv").write_bytes(b"x")
    os.utime(old, (1, 1))
    drop_stale(tmp_path)
    assert not old.exists()
    assert young.exists()
    drop_stale(tmp_path / "nowhere")


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_the_beginning_of_a_long_file_ends_with_a_whole_line(
    bench: Bench, tmp_path: Path, encoding: str
) -> None:
    capture = next(each for each in bench.case.captures if each.point == "u1-timing")
    text = capture.path.read_text()
    assert len(text) > 2 * LOOK
    job = bench.job("u1-timing")
    for code in ("ascii", encoding):
        path = tmp_path / code / "long.csv"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(text.encode(code))
        found = look(job, path, job.point)
        assert found.problem is None and found.cycles > 100 and found.agreement > 0.5
