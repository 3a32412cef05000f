"""``wrongbit prove`` as it is typed: the demo's own command proves its repair; what is left is told."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

from wrongbit.case.entries import CaptureAdded, ReadingAdded, WordsWaived
from wrongbit.case.folder import Case
from wrongbit.cli.main import main
from wrongbit.demo.case import set_aside


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The demo's case, and what it has printed."""
    import contextlib
    import io

    folder = tmp_path_factory.mktemp("demo") / "saltmarsh"
    page = io.StringIO()
    with contextlib.redirect_stdout(page):
        assert main(["demo", "--folder", str(folder), "--cycles", "1500"]) == 0
    return folder, page.getvalue()


@pytest.fixture
def case(shown: tuple[Path, str], tmp_path: Path) -> Path:
    """A copy of it."""
    import shutil

    return Path(shutil.copytree(shown[0], tmp_path / "case"))


def fresh(case: Path) -> list[str]:
    readings = [part for n in (1, 2, 3) for part in ("--reading", str(case / f"repaired-u11-{n}.bin"))]
    capture = ["--capture", str(case / "repaired-u1-timing.csv"), "--point", "u1-timing"]
    return [*capture, *readings, "--chip", "U11"]


def test_the_command_that_the_demo_prints_proves_the_repair(
    shown: tuple[Path, str], case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, page = shown
    (command,) = re.findall(r"^  (wrongbit prove .*)$", page, re.M)
    assert re.search(rf"^  wrongbit serve {re.escape(str(folder))}$", page, re.M)
    words = shlex.split(command.replace(str(folder), str(case)))
    assert words[1:] == ["prove", str(case), *fresh(case)]
    assert main(words[1:]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "✓ Proved." in told and "▲" not in told
    assert told.index("caution:") < told.index("words read by U1")
    assert "2 files" not in told
    # What was added counts from now on, without being named again.
    assert main(["prove", str(case), "--json"]) == 0
    proof = json.loads(capsys.readouterr().out)
    assert proof["verdict"] == "proved" and len(proof["readings_after"]) == 3
    with Case.open(case) as opened:
        assert [each.note for _, each in opened.of_kind(CaptureAdded)] == ["", "proof"]
        assert sum(each.note == "proof" for _, each in opened.of_kind(ReadingAdded)) == 3


def test_a_capture_named_twice_is_kept_once(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(2):
        assert main(["prove", str(case), *fresh(case), "--json"]) == 0
        proof = json.loads(capsys.readouterr().out)
        assert len(proof["captures_after"]) == 1
    with Case.open(case) as opened:
        assert len([each for _, each in opened.of_kind(CaptureAdded) if each.note == "proof"]) == 1
        assert len([each for _, each in opened.of_kind(ReadingAdded) if each.note == "proof"]) == 3


def test_the_same_pass_named_thrice_is_one_pass(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = fresh(case)
    words[7] = words[9] = words[5]
    assert main(["prove", str(case), *words, "--json"]) == 1
    proof = json.loads(capsys.readouterr().out)
    assert "1 pass is too few: read it 3 times." in [each["says"] for each in proof["lines"]]
    assert len(proof["readings_after"]) == 1
    assert main(["prove", str(case), *words]) == 1
    assert "2 files are in the case as proof." in capsys.readouterr().err


def test_what_cannot_be_used_leaves_nothing_in_the_case(
    case: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A capture or a reading that cannot be read would stop every later proof until it is withdrawn."""
    (tmp_path / "odd.csv").write_text("no capture\n1,2\n")
    (tmp_path / "short.bin").write_bytes(bytes(100))
    with Case.open(case) as opened:
        before = opened.entries(withdrawn=True)
    odd = ["--capture", str(tmp_path / "odd.csv"), "--point", "u1-timing"]
    short = [*fresh(case), "--reading", str(tmp_path / "short.bin")]
    for wrong, name in ((odd, "odd.csv"), (short, "short.bin")):
        assert main(["prove", str(case), *wrong]) == 2
        assert name in " ".join(capsys.readouterr().err.split())
    with Case.open(case) as opened:
        assert opened.entries(withdrawn=True) == before
    assert main(["prove", str(case), *fresh(case)]) == 0


def test_what_is_left_is_told(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["prove", str(case)]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert (
        "▲ Not covered." in told
        and "words were wrong, between 0x0011 and" in told
        and "a fresh capture that is to prove the repair has to read all of them again" in told
        and "the word at" not in told
    )
    old = str(case / "u1-timing.csv")
    assert main(["prove", str(case), "--capture", old, "--point", "u1-timing", "--json"]) == 1
    proof = json.loads(capsys.readouterr().out)
    assert proof["verdict"] == "not proved"
    assert [each["verdict"] for each in proof["lines"]] == ["not proved", "not covered"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--point", "u1-timing"], "--point goes with --capture"),
        (["--chip", "U11"], "--chip goes with --reading"),
        (["--capture", "none.csv", "--point", "u1-timing"], "none.csv"),
        (["--capture", "x.csv", "--point", "u9"], "no probe point 'u9'"),
        (["--capture", "x.csv"], "several probe points"),
        (["--reading", "x.bin"], "Of which chip x.bin was read is not told"),
        (["--reading", "x.bin", "--chip", "U99"], "no chip 'U99'"),
        (["--reading", "a", "--reading", "b", "--reading", "c", "--chip", "U1", "--chip", "U2"], "3 files"),
    ],
)
def test_mistakes(words: list[str], message: str, case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["prove", str(case), *words]) == 2
    assert message in " ".join(capsys.readouterr().err.split())
    with Case.open(case) as opened:
        assert len(opened.of_kind(CaptureAdded)) == 1


def test_a_folder_that_is_no_case(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["prove", str(tmp_path)]) == 2
    assert main(["prove", str(tmp_path / "none")]) == 2
    assert capsys.readouterr().err.count("→") == 2


def proved_as_printed(page: str, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """The command that a stage of the demo prints proves the repair, where it is to be typed."""
    (command,) = re.findall(r"^ *(wrongbit prove .*)$", page, re.M)
    monkeypatch.chdir(folder)
    assert main(shlex.split(command)[1:]) == 0


def test_the_search_for_a_part_ends_in_its_proof(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--stage", "parts", "--folder", str(tmp_path / "lift")]) == 0
    proved_as_printed(capsys.readouterr().out, monkeypatch, tmp_path)
    assert "✓ words read by U2" in " ".join(capsys.readouterr().out.split())


def test_the_rebuilt_chip_ends_in_its_proof(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--stage", "chip", "--folder", str(tmp_path)]) == 0
    proved_as_printed(capsys.readouterr().out, monkeypatch, tmp_path)
    assert "✓ U3's image file u3-rebuilt.bin equal" in " ".join(capsys.readouterr().out.split())


# -- waived ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def unread(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case with a fresh capture that does not read all that was wrong: the dead program went astray."""
    folder = tmp_path_factory.mktemp("kiln") / "kiln"
    ask = ["--machine", "quarrybank", "--fault", "stuck-low:U2.D5", "--cycles", "1500", "--files-only"]
    assert main(["demo", *ask, "--folder", str(folder)]) == 0
    capture = ["--capture", str(folder / "repaired-u1-timing.csv"), "--point", "u1-timing"]
    assert main(["prove", str(folder), *capture]) == 1
    with Case.open(folder) as case:
        for entry, _ in case.of_kind(ReadingAdded):
            case.withdraw(entry.number, "the chip is not looked at here")
    return folder


@pytest.fixture
def kiln(unread: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    import shutil

    return Path(shutil.copytree(unread, tmp_path / "kiln"))


def test_what_is_waived_ends_the_proof_and_is_told_as_waived(
    kiln: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["prove", str(kiln)]) == 1
    told = capsys.readouterr().out
    hint = re.search(r"^    --waive (\S+) --why '(.+)'$", told, re.M)
    assert hint and "that is for you to judge" in told and "  → " in told
    with Case.open(kiln) as case:
        assert not case.of_kind(WordsWaived)
    why = "Only the program gone astray reads it"
    assert main(["prove", str(kiln), "--waive", hint[1], "--why", why]) == 0
    page = capsys.readouterr()
    told = " ".join(page.out.split())
    assert "○ Waived." in told and "✓ Proved" not in told and f": {why}." in told
    assert "○ words read by U1" in told
    (number,) = re.findall(r"--withdraw (\d+)", " ".join(page.err.split()))
    assert main(["history", str(kiln), "--kind", "waiver", "--json"]) == 0
    (entry,) = json.loads(capsys.readouterr().out)["entries"]
    assert (entry["number"], entry["detail"]["why"]) == (int(number), why) and entry["by"] and entry["at"]
    assert main(["prove", str(kiln), "--json"]) == 0
    proof = json.loads(capsys.readouterr().out)
    assert proof["verdict"] == "waived" and proof["waived"][0]["why"] == why and not proof["uncovered"]
    assert main(["history", str(kiln), "--withdraw", number, "--why", "not so"]) == 0
    assert main(["prove", str(kiln)]) == 1


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--waive", "0856"], "Why may 0856 stay unread"),
        (["--why", "never read"], "--why goes with --waive"),
        (["--processor", "U1"], "--processor goes with --waive"),
        (["--waive", "08G6", "--why", "x"], "'g' is no digit"),
        (["--waive", "10856", "--why", "x"], "more than 16 bits"),
        (["--waive", "0000", "--why", "x"], "No word that was wrong is open at 0000"),
        (["--waive", "0856", "--why", "x", "--processor", "U9"], "no processor 'U9'"),
        (["--waive", "0856", "--waive", "0000", "--why", "x"], "No word that was wrong is open at 0000"),
        (["--waive", "0856", "--why", "x", "--capture", "a.csv"], "Prove with them first"),
    ],
)
def test_what_cannot_be_waived_is_told_and_nothing_is_kept(
    words: list[str], message: str, kiln: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["prove", str(kiln), *words]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert message in told and "→" in told
    with Case.open(kiln) as case:
        assert not case.of_kind(WordsWaived)


# -- the demo's folder -------------------------------------------------------------------------------------


def test_the_demo_loses_nothing_of_a_persons(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["demo", "--folder", str(case), "--cycles", "1500"]
    (case / "saltmarsh.toml").write_text((case / "saltmarsh.toml").read_text() + "# mine\n")
    (case / "notes.txt").write_text("mine\n")
    rows = (
        case / "case.toml"
    ).read_text() + '\n[[measurement]]\nkind = "reseated"\npart = "U11"\noutcome = "same"\n'
    (case / "case.toml").write_text(rows)
    assert main(["prove", str(case), *fresh(case)]) == 0
    with Case.open(case) as opened:
        before = opened.entries(withdrawn=True)
    assert main(command) == 0
    assert "saltmarsh.toml had been changed" in " ".join(capsys.readouterr().err.split())
    assert (case / "saltmarsh.toml.before").read_text().endswith("# mine\n")
    assert (case / "case.toml.before").read_text() == rows
    assert (case / "notes.txt").read_text() == "mine\n"
    with Case.open(case) as opened:
        after = opened.entries(withdrawn=True)
        assert [each.detail for each in after[: len(before)]] == [each.detail for each in before]
        assert not opened.verify()
    # A further run finds only what the demo itself wrote.
    assert main(command) == 0
    assert not list(case.glob("*.before-*"))


def test_another_fault_in_the_same_folder_begins_anew(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--folder", str(case), "--cycles", "1500", "--fault", "stuck-low:U12.D6"]) == 0
    capsys.readouterr()
    assert not list(case.glob("*.before"))
    assert main(["chip", str(case), "U12", "--json"]) == 1
    capsys.readouterr()
    with Case.open(case) as opened:
        assert {each.chip for _, each in opened.of_kind(ReadingAdded)} == {"U12"}
        assert len(opened.of_kind(CaptureAdded)) == 1
        assert any(each.withdrawn_by for each in opened.entries(withdrawn=True))


def test_files_that_stand_in_the_way_get_free_names(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"mine")
    assert set_aside(tmp_path, {"a.bin": b"mine", "b.bin": b""}) == ()
    assert [each.name for each in set_aside(tmp_path, {"a.bin": b"new"})] == ["a.bin.before"]
    (tmp_path / "a.bin").write_bytes(b"mine again")
    assert [each.name for each in set_aside(tmp_path, {"a.bin": b"new"})] == ["a.bin.before-2"]
