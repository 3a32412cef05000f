"""The fault dictionary against simulated machines that really have the fault, and by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from wrongbit.batch import dictionary as room
from wrongbit.batch.dictionary import build_dictionary, open_dictionary
from wrongbit.bus.recipes import recipe_names
from wrongbit.case.folder import Case
from wrongbit.cli.main import main
from wrongbit.compare.build import build_memory_map
from wrongbit.demo.case import write_case
from wrongbit.diagnose.dictionary import NOTHING_SEEN, classes_of, name_of, nominal_look, sight_of
from wrongbit.diagnose.looks import Look
from wrongbit.diagnose.structure import Hypothesis, Structure
from wrongbit.errors import InputError, UsageError
from wrongbit.faults.evidence import gather_evidence
from wrongbit.job import compare_capture, open_job
from wrongbit.machine.load import load_machine

pytestmark = pytest.mark.xdist_group("batch")


@pytest.fixture(scope="module")
def loom(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("loom")
    return write_case(folder, "fellgate", points=("u1-cycles",), cycles=200).machine_file


@pytest.fixture(scope="module")
def board(loom: Path) -> Structure:
    return Structure(load_machine(loom, recipe_names=recipe_names()))


@pytest.mark.parametrize(
    ("put_in", "carries", "what", "line", "other"),
    [
        ("bridged-data-and:bus.D1-D2", "data", "low wins", 1, 2),
        ("bridged-data-or:bus.D0-D6", "data", "high wins", 0, 6),
        ("address-stuck-low:bus.A3", "address", "stuck at 0", 3, -1),
        ("address-bridged-and:bus.A1-A4", "address", "low wins", 1, 4),
    ],
)
def test_simulated_machines_show_what_is_foretold(
    board: Structure, tmp_path: Path, put_in: str, carries: str, what: str, line: int, other: int
) -> None:
    """The simulator runs the program with the fault on all chips' lines; which ROM words come out wrong?"""
    case = write_case(tmp_path, "fellgate", put_in, points=("u1-cycles",), cycles=4000)
    job = open_job(case.machine_file, point="u1-cycles")
    found = compare_capture(job, case.captures[0].path)
    evidence = gather_evidence(found.cycles, found.verdicts)
    roms = frozenset(chip.name for chip in job.memory_map.roms)
    look = Look.of(job.point, "run", evidence, job.memory_map, 1e-4, roms)
    path = next(path for path in board.machine.path if path.carries == carries)
    part = path.through[-1] if carries == "data" else path.through[0]  # next to the processor: all pass it
    sight = sight_of(board, look, [Hypothesis(part, carries, what, line, other)])
    wrong = look.rows.wrong
    assert sight.wrong == int((wrong != 0).sum()) > 0
    assert sight.bits == int(np.bitwise_or.reduce(wrong))
    first = int(np.flatnonzero(wrong)[0])
    assert (sight.address, sight.seen) == (int(look.rows.address[first]), int(look.rows.seen[first]))


def test_a_stuck_data_line_by_hand(board: Structure, loom: Path) -> None:
    """D3 stuck at 1 behind the buffer: every ROM byte with a 0 there is wrong in that bit, no other is."""
    machine = board.machine
    memory_map = build_memory_map(machine, machine.processor[0], loom.parent)
    look = nominal_look(board, machine.point_of("u1-cycles"), memory_map)
    part = next(name for path in machine.path if path.carries == "data" for name in path.through[-1:])
    sight = sight_of(board, look, [Hypothesis(part, "data", "stuck at 1", 3)])
    roms = np.concatenate([chip.contents[chip.known != 0] for chip in memory_map.roms])
    assert sight.bits == 8
    assert sight.wrong == int(((roms >> np.uint64(3)) & np.uint64(1) == 0).sum())
    assert sight.seen == sight.expected | 8
    assert sight.settled


def test_pairs_of_one_that_does_not_show_show_the_other(board: Structure, loom: Path) -> None:
    machine = board.machine
    memory_map = build_memory_map(machine, machine.processor[0], loom.parent)
    look = nominal_look(board, machine.point_of("u4-legs"), memory_map)
    shows = hidden = None
    for each in board.hypotheses():
        sight = sight_of(board, look, [each])
        if sight.signature == NOTHING_SEEN and hidden is None:
            hidden = each
        elif sight.signature and sight.settled and shows is None:
            shows = each
    assert shows is not None and hidden is not None
    assert sight_of(board, look, [shows, hidden]) == sight_of(board, look, [shows])


def test_classes_have_one_sight(board: Structure, loom: Path) -> None:
    machine = board.machine
    memory_map = build_memory_map(machine, machine.processor[0], loom.parent)
    hypotheses = board.hypotheses()
    classes = classes_of(board, hypotheses)
    assert max(classes) + 1 < len(hypotheses)
    assert len({name_of(each) for each in hypotheses}) == len(hypotheses)
    for point in machine.point:
        look = nominal_look(board, point, memory_map)
        sights: dict[int, set[str]] = {}
        for each, number in zip(hypotheses, classes, strict=True):
            loose = each.what == "loose"
            sights.setdefault(number, set()).add(f"{loose}{sight_of(board, look, [each]).signature}")
        assert all(len(found) == 1 for found in sights.values())


def test_built_in_pieces_and_opened_again(
    loom: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "PIECE", 20)
    monkeypatch.setattr(room, "_pairs", lambda *_: iter([(one, one + 1) for one in range(50)]))
    out = str(tmp_path / "dictionaries")
    first = build_dictionary(loom, out, pairs=True, processes=1)
    assert (first.pieces, first.kept, first.pairs) == (4, 0, 50)
    (missing,) = Path(first.folder).glob("pairs-00001.parquet")
    before = pl.read_parquet(missing)
    missing.unlink()
    again = build_dictionary(loom, out, pairs=True, processes=1)
    assert (again.pieces, again.kept) == (4, 3)
    assert pl.read_parquet(missing).equals(before)
    opened = open_dictionary(loom, out)
    structure = Structure(load_machine(loom, recipe_names=recipe_names()))
    one = structure.hypotheses()[0]
    assert opened.signature([one], "u1-cycles")
    assert opened.signature([Hypothesis("X99", "data", "open", 1)], "u1-cycles") is None


def test_another_machine_file_needs_another_dictionary(loom: Path, tmp_path: Path) -> None:
    out = str(tmp_path / "dictionaries")
    build_dictionary(loom, out, processes=1)
    text = loom.read_text()
    changed = loom.with_name("changed.toml")
    changed.write_text(text.replace("Fellgate loom controller", "Fellgate loom controller 2"))
    with pytest.raises(UsageError, match="no fault dictionary"):
        open_dictionary(changed, out)


def test_next_uses_it_before_any_capture(
    loom: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a capture nothing but the dictionary tells which faults a capture could not tell apart."""
    case = tmp_path / "case"
    case.mkdir()
    for path in loom.parent.iterdir():
        if path.suffix != ".csv" and path.is_file():
            (case / path.name).write_bytes(path.read_bytes())
    (case / "case.toml").write_text(f'machine = "{loom.name}"\n')
    out = str(tmp_path / "dictionaries")
    assert main(["batch", "--dictionary", str(case / loom.name), "--output", out, "--processes", "1"]) == 0
    assert "sights told apart" in capsys.readouterr().out
    assert main(["next", str(case), "--dictionary", out]) == 0
    told = capsys.readouterr().out
    assert "clip on at" in told


def test_references_that_were_added_to_a_case_count(
    loom: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The machine file names an image that only the journal has: the same sights as with the file."""
    folder = tmp_path / "case"
    folder.mkdir()
    for path in loom.parent.iterdir():
        if path.suffix in (".s19", ".lst"):
            (folder / path.name).write_bytes(path.read_bytes())
    (folder / "machine.toml").write_bytes(loom.read_bytes())
    with Case.open(folder) as case:
        entry = case.add_reference(loom.parent / "u5.bin", "image", "U5")
    out = str(tmp_path / "dictionaries")
    assert main(["batch", "--dictionary", str(folder), "--output", out, "--processes", "1"]) == 0
    build_dictionary(loom, out, processes=1)
    assert open_dictionary(folder, out).sights == open_dictionary(loom, out).sights
    assert open_dictionary(folder / "machine.toml", out).sights == open_dictionary(folder, out).sights
    assert main(["next", str(folder), "--dictionary", out]) == 0
    capsys.readouterr()
    with Case.open(folder) as case:
        case.withdraw(entry.number, "of another machine")
    assert main(["batch", "--dictionary", str(folder), "--output", out, "--processes", "1"]) == 2
    assert "u5.bin" in capsys.readouterr().err


def test_without_paths(tmp_path: Path) -> None:
    machine = tmp_path / "machine.toml"
    machine.write_text(
        '[machine]\nname = "Bare"\n'
        '[[processor]]\nname = "U1"\nword_bits = 8\naddress_bits = 16\nrecipe = "z80"\n'
    )
    with pytest.raises(UsageError, match=r"no \[\[path\]\]"):
        build_dictionary(machine, str(tmp_path / "out"))


def test_a_damaged_piece_is_told(loom: Path, tmp_path: Path) -> None:
    output = str(tmp_path / "kept")
    built = build_dictionary(loom, output, processes=1)
    singles = Path(built.folder) / "singles.parquet"
    for damage in (singles.read_bytes()[:-40], b""):
        singles.write_bytes(damage)
        with pytest.raises(InputError, match="damaged"):
            open_dictionary(loom, output)
        with pytest.raises(InputError, match="damaged"):
            build_dictionary(loom, output, processes=1)
    pl.DataFrame({"name": ["other"]}).write_parquet(singles)
    with pytest.raises(InputError, match="damaged"):
        open_dictionary(loom, output)
