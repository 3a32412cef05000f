"""A batch against the same captures examined one by one, on local processes and on a real scheduler."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import fsspec
import polars as pl
import pytest

from wrongbit.batch import engine, run
from wrongbit.batch.examine import examine
from wrongbit.batch.items import Item, find_captures, find_cases
from wrongbit.batch.results import Result, Results
from wrongbit.batch.run import run_batch
from wrongbit.cli.main import main
from wrongbit.demo.case import write_case
from wrongbit.errors import InputError, UsageError
from wrongbit.job import compare_capture, diagnose, open_job

pytestmark = pytest.mark.xdist_group("batch")


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A machine file with its images, and a folder of captures of several seeds, one of them no capture."""
    folder = tmp_path_factory.mktemp("batch")
    (folder / "captures").mkdir()
    for seed in (1, 2, 3):
        case = write_case(folder / "machine", "fellgate", points=("u1-cycles",), cycles=2000, seed=seed)
        case.captures[0].path.rename(folder / "captures" / f"run-{seed}.csv")
    (folder / "captures" / "notes.csv").write_text("no capture\n")
    return case.machine_file, folder / "captures"


def find(captures: tuple[Path, Path]) -> tuple[Item, ...]:
    machine, folder = captures
    return find_captures([f"{folder}/*.csv"], str(machine), "u1-cycles")


def one_by_one(captures: tuple[Path, Path]) -> dict[str, tuple[int, int, str]]:
    """Cycles, wrong words and best finding of each capture, from the main job itself."""
    machine, folder = captures
    job = open_job(machine, point="u1-cycles")
    told = {}
    for path in sorted(folder.glob("run-*.csv")):
        found = diagnose(job, compare_capture(job, path))
        told[path.name] = (
            len(found.comparison.cycles), found.comparison.summary.differs, found.findings.best.say()
        )  # fmt: skip
    return told


def check(frame: pl.DataFrame, captures: tuple[Path, Path]) -> None:
    rows = {row["name"]: row for row in frame.iter_rows(named=True)}
    assert list(rows) == ["notes.csv", "run-1.csv", "run-2.csv", "run-3.csv"]
    for name, (cycles, differs, finding) in one_by_one(captures).items():
        assert (rows[name]["cycles"], rows[name]["differs"], rows[name]["finding"]) == (
            cycles,
            differs,
            finding,
        )
        assert rows[name]["status"] == "fault"
    assert rows["notes.csv"]["status"] == "failed"
    assert "notes.csv" in rows["notes.csv"]["message"] and rows["notes.csv"]["remedy"]


def test_local_processes_give_what_one_by_one_gives(captures: tuple[Path, Path], tmp_path: Path) -> None:
    done = run_batch(find(captures), str(tmp_path / "out"), processes=2)
    check(done.frame, captures)
    assert done.counts == {"cases": 4, "fault": 3, "no fault": 0, "failed": 1}
    check(pl.read_parquet(tmp_path / "out" / "summary.parquet"), captures)
    page = (tmp_path / "out" / "summary.html").read_text()
    assert "run-2.csv" in page and "<script" not in page


def test_what_is_done_is_not_done_again_until_an_input_changes(
    captures: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def do_here(client: object, work: object, pieces: list[Item]) -> Iterator[tuple[int, Result]]:
        for number, item in enumerate(pieces):
            asked.append(item.name)
            yield number, Result(item.name, item.capture, item.key, "no fault")

    monkeypatch.setattr(run, "do_all", do_here)
    monkeypatch.setattr(run, "cluster", lambda *_: ExitStack())
    out = str(tmp_path / "out")
    assert run_batch(find(captures), out).kept == 0
    assert len(asked) == 4
    assert run_batch(find(captures), out).kept == 4
    assert len(asked) == 4
    changed = captures[1] / "run-2.csv"
    changed.write_bytes(changed.read_bytes() + b"\n")
    assert run_batch(find(captures), out).kept == 3
    assert asked[4:] == ["run-2.csv"]
    assert run_batch(find(captures), out, again=True).kept == 0


def test_one_case_is_one_case_and_its_wrong_word_is_told_as_that_of_its_capture(
    captures: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    machine, folder = captures
    case = tmp_path / "case"
    shutil.copytree(machine.parent, case)
    shutil.copy(folder / "run-1.csv", case)
    row = '[[capture]]\npoint = "u1-cycles"\nfile = "run-1.csv"\n'
    (case / "case.toml").write_text(f'machine = "{machine.name}"\n{row}')
    words = ["--output", str(tmp_path / "out"), "--processes", "1"]
    assert main(["batch", str(case), *words]) == 1
    assert "1 case: a fault in 1, none in 0" in " ".join(capsys.readouterr().out.split())
    assert "<h1>1 case</h1>" in (tmp_path / "out" / "summary.html").read_text()
    (of_case,) = (examine(item) for item in find_cases([str(case)]))
    (item,) = find_captures([str(folder / "run-1.csv")], str(machine), "u1-cycles")
    of_capture = examine(item)
    assert of_case.first_wrong == of_capture.first_wrong
    # The reset vector of the 6502 family is read at FFFC (MOS MCS6500 programming manual); D4 is open.
    assert "FFFC" in of_capture.first_wrong and "bit 4" in of_capture.first_wrong


def test_a_failed_case_is_tried_again(tmp_path: Path) -> None:
    results = Results(str(tmp_path))
    item = Item("a", capture="a.csv", key="k")
    results.keep(Result("a", "a.csv", "k", "failed", message="No."))
    assert results.done(item) is None
    results.keep(Result("a", "a.csv", "k", "no fault"))
    assert results.done(item) is not None
    (tmp_path / "results" / "k.json").write_text('{"name": "a", "pl')
    assert results.done(item) is None


def test_results_in_another_store(captures: tuple[Path, Path]) -> None:
    """fsspec's own memory store stands for any store that is no file system."""
    done = run_batch(find(captures)[1:], "memory://results-of-batch", processes=1)
    fs = fsspec.filesystem("memory")
    assert done.counts["fault"] == 3
    assert len(fs.ls("/results-of-batch/results")) == 3
    with fs.open("/results-of-batch/summary.parquet") as file:
        assert pl.read_parquet(file.read()).height == 3


def test_inputs_in_another_store_are_fetched(captures: tuple[Path, Path]) -> None:
    from wrongbit.batch.examine import examine

    machine, folder = captures
    fs = fsspec.filesystem("memory")
    for path in machine.parent.iterdir():
        fs.pipe_file(f"/machine/{path.name}", path.read_bytes())
    fs.pipe_file("/captures/run-1.csv", (folder / "run-1.csv").read_bytes())
    (item,) = find_captures(["memory://captures/*.csv"], f"memory://machine/{machine.name}", "u1-cycles")
    result = examine(item)
    assert (result.cycles, result.differs, result.finding) == one_by_one(captures)["run-1.csv"]


# A real scheduler with workers as separate processes -----------------------------------------------


@pytest.fixture(scope="module")
def scheduler() -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Its address, and two workers under no nanny, so that one that is killed stays dead."""
    command = [
        sys.executable,
        "-m",
        "distributed.cli.dask_scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        "0",
        "--no-dashboard",
    ]
    with ExitStack() as stack:
        folder = stack.enter_context(__import__("tempfile").TemporaryDirectory())
        told = Path(folder) / "scheduler.json"
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        running = [subprocess.Popen([*command, "--scheduler-file", str(told)], **quiet)]
        stack.callback(lambda: [(each.kill(), each.wait()) for each in running])
        deadline = time.monotonic() + 60
        while not told.exists() or not told.read_text().strip():
            assert time.monotonic() < deadline and running[0].poll() is None
            time.sleep(0.05)
        address = json.loads(told.read_text())["address"]
        for number in range(2):
            worker = [
                sys.executable, "-m", "distributed.cli.dask_worker", address, "--no-nanny", "--nthreads", "1",
                "--name", f"worker-{number}", "--no-dashboard", "--local-directory", folder,
            ]  # fmt: skip
            running.append(subprocess.Popen(worker, **quiet))
        from distributed import Client

        with Client(address) as client:
            client.wait_for_workers(2, timeout=60)
        yield address, running


def slow_examine(item: Item) -> Result:
    """As `examine`, long enough that a worker can be killed while it is at it."""
    from wrongbit.batch.examine import examine

    time.sleep(1.0)
    return examine(item)


def test_a_scheduler_gives_the_same_even_when_a_worker_is_killed(
    captures: tuple[Path, Path],
    scheduler: tuple[str, list[subprocess.Popen[bytes]]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    address, running = scheduler
    check(run_batch(find(captures), str(tmp_path / "first"), scheduler=address).frame, captures)
    monkeypatch.setattr(run, "examine", slow_examine)
    killed: list[int] = []

    def tell(done: int) -> None:
        if done == 1 and not killed:
            killed.append(running[1].pid)
            os.kill(running[1].pid, signal.SIGKILL)

    done = run_batch(find(captures), str(tmp_path / "second"), scheduler=address, tell=tell)
    assert killed and running[1].wait(10) == -signal.SIGKILL
    check(done.frame, captures)


def test_a_worker_of_another_version_is_refused(
    scheduler: tuple[str, list[subprocess.Popen[bytes]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "__version__", "9.9.9")
    with (
        pytest.raises(UsageError, match=r"has wrongbit .*; this is 9\.9\.9"),
        engine.cluster(scheduler[0]),
    ):
        raise AssertionError("the cluster was used")


# Bad input ------------------------------------------------------------------------------------------


def test_a_scheduler_that_is_not_there(
    captures: tuple[Path, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(engine, "PATIENCE", "1s")
    machine, folder = captures
    code = main(
        ["batch", f"{folder}/run-*.csv", "--machine", str(machine), "--point", "u1-cycles",
         "--scheduler", "tcp://127.0.0.1:9", "--output", str(tmp_path / "out")]
    )  # fmt: skip
    told = capsys.readouterr().err
    assert code == 2
    assert "tcp://127.0.0.1:9 does not answer" in told and "Traceback" not in told


def test_an_output_that_cannot_be_written(captures: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match="cannot be written to"):
        run_batch(find(captures), str(tmp_path / "file" / "out"))


def test_names_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="nothing of this name"):
        find_cases([str(tmp_path / "nowhere")])
    with pytest.raises(UsageError, match="No case was found"):
        find_cases([str(tmp_path)])
    with pytest.raises(UsageError, match="cannot be reached"):
        find_cases(["nosuchstore://bucket/case"])


def test_cases_are_found_below_a_folder(tmp_path: Path) -> None:
    for name in ("north/kiln", "south/loom"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "machine.toml").write_text("")
    found = find_cases([str(tmp_path)])
    assert [item.name for item in found] == ["north/kiln", "south/loom"]
    before = found[0].key
    (tmp_path / "north/kiln/derived").mkdir()
    (tmp_path / "north/kiln/derived/cycles.parquet").write_text("x")
    assert find_cases([str(tmp_path)])[0].key == before
    (tmp_path / "north/kiln/case.toml").write_text("")
    assert find_cases([str(tmp_path)])[0].key != before


def test_a_kept_result_that_is_none_of_ours_is_done_again(tmp_path: Path) -> None:
    results = Results(str(tmp_path))
    item = Item("loom", folder="loom", key="0")
    results.keep(Result("loom", "loom", "0", "fault"))
    assert results.done(item) is not None
    (tmp_path / "results" / "0.json").write_text('{"name": "", "place": "", "key": "0", "status": "odd"}')
    assert results.done(item) is None


def test_names_that_lead_out_of_a_case_write_nothing_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store or an archive may hold any name, also one that leads up (CWE-22)."""
    with zipfile.ZipFile(tmp_path / "sent.zip", "w") as file:
        file.writestr("case/machine.toml", "")
        file.writestr("case/../../out.txt", "mine")
    inner = tmp_path / "a" / "b"
    inner.mkdir(parents=True)
    monkeypatch.setattr(tempfile, "tempdir", str(inner))
    result = examine(Item("sent", folder=f"zip://case::{tmp_path}/sent.zip"))
    assert result.status == "failed" and "leads out of the case" in result.message
    assert not list(tmp_path.rglob("out.txt"))


def test_two_batches_on_one_scheduler_do_not_take_each_others_pieces() -> None:
    """A scheduler gives what it has under a key, whoever asked for it first: no two batches share keys."""
    taken: list[str] = []

    class Refusing:
        def submit(self, *given: object, key: str, **more: object) -> object:
            taken.append(key)
            return object()

        def cancel(self, futures: list[object], force: bool) -> None:
            raise InterruptedError

    pieces = ["one", "two"]
    for _ in range(2):
        with pytest.raises((InterruptedError, TypeError, AttributeError)):
            list(engine.do_all(Refusing(), len, pieces))
    assert len(set(taken)) == 4
