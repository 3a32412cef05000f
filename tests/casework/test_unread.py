"""Words that were wrong and that the repaired machine never reads: a reader's word, or a person's waiver.

The machine is the invented kiln programmer with D5 of its first EPROM stuck at 0. Its first fetch is then D3
for F3: OUT (n),A in place of DI (Zilog, Z80 CPU User Manual UM0080, instruction set), so that the program is
astray from its very first word on, and reads places that the sound program does not.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from wrongbit.case.entries import Entry, WordsWaived
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.casework.proof import Proof, ProofLine
from wrongbit.casework.waivers import waiver_of
from wrongbit.demo.case import DemoCase, write_case
from wrongbit.demo.trace import CODE
from wrongbit.errors import UsageError

READS = (CODE["fetch"], CODE["read"])


@pytest.fixture(scope="module")
def dead(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    folder = tmp_path_factory.mktemp("dead")
    return write_case(folder, "quarrybank", "stuck-low:U2.D5", points=["u1-timing"], cycles=1500, whole=True)


@pytest.fixture(scope="module")
def longer(tmp_path_factory: pytest.TempPathFactory) -> DemoCase:
    folder = tmp_path_factory.mktemp("longer")
    return write_case(folder, "quarrybank", "none", points=["u1-timing", "u1-cycles"], cycles=3000)


@pytest.fixture
def case(tmp_path: Path, dead: DemoCase, longer: DemoCase) -> Iterator[Case]:
    """The dead machine's capture, and one of the repaired machine; no chip was read."""
    folder = tmp_path / "kiln"
    folder.mkdir()
    for path in dead.images:
        shutil.copy(path, folder)
    shutil.copy(dead.machine_file, folder / "machine.toml")
    with Case.open(folder) as opened:
        opened.add_capture(dead.captures[0].path, "u1-timing")
        opened.add_capture(longer.captures[0].path, "u1-timing", note="proof", name="after.csv")
        yield opened


def read_by(demo: DemoCase) -> set[int]:
    """Every address that the simulated machine read, by the simulator's own account."""
    reading = np.isin(demo.trace.kind, READS)
    return set(demo.trace.address[reading].tolist())


def passes(
    case: Case, demo: DemoCase, tmp_path: Path, count: int, *, wrong: int | None = None, note: str = "proof"
) -> list[Entry]:
    """Passes of U2, sound but for D5 of one word where that is asked for."""
    words = demo.machine.board.chip("U2").contents.astype(np.uint8)
    if wrong is not None:
        words[wrong] ^= np.uint8(0x20)
    path = tmp_path / f"u2-{wrong}.bin"
    path.write_bytes(words.tobytes())
    return [case.add_reading(path, "U2", note=note) for _ in range(count)]


def bar(proof: Proof, title: str = "words read by U1") -> ProofLine:
    (found,) = [each for each in proof.lines if each.title == title]
    return found


def test_what_the_repaired_machine_does_not_read_is_open_and_may_be_explained(
    case: Case, longer: DemoCase
) -> None:
    proof = Casework(case).proof()
    open_ = {each.address for each in proof.uncovered}
    assert open_ and not open_ & read_by(longer)
    assert bar(proof).verdict == "not covered" and "read U2 afresh in a reader" in bar(proof).remedy
    assert {address for each in proof.hints for address in each.addresses} == open_
    assert all("cycle 0, 0x0000" in each.why for each in proof.hints)
    assert not proof.waived and proof.verdict == "not covered"  # a hint is no waiver


def test_nothing_is_explained_that_was_read_before_the_program_went_astray(
    case: Case, longer: DemoCase, tmp_path: Path
) -> None:
    """A fresh capture that begins after the last read of address 0 lacks what the sound program does read."""
    rows = (
        next(each.path for each in longer.captures if each.point == "u1-cycles").read_text().splitlines(True)
    )
    path = tmp_path / "late.csv"
    last = max(number for number, row in enumerate(rows) if row.startswith("0000,"))
    path.write_text("".join([rows[0], *rows[last + 1 :]]))
    late = case.add_capture(path, "u1-cycles", note="proof: late")
    proof = Casework(case).proof([late])
    hinted = {address for each in proof.hints for address in each.addresses}
    assert 0 in {each.address for each in proof.uncovered} and 0 not in hinted
    assert hinted


# -- by a reader -------------------------------------------------------------------------------------------


def test_a_fresh_reading_of_the_chip_counts_and_is_told_as_the_readers(
    case: Case, dead: DemoCase, tmp_path: Path
) -> None:
    for path in dead.readings:
        case.add_reading(path, "U2")
    passes(case, dead, tmp_path, 3)
    proof = Casework(case).proof()
    assert proof.verdict == "proved" and not proof.uncovered
    (credited,) = proof.credited
    assert credited.chips == ("U2",) and "the reader, not the machine" in credited.sentence
    assert f"{len(credited.addresses)} seen right by a reader only" in bar(proof).says
    assert "by a reader, not by the machine" in proof.sentence


def test_a_reader_that_saw_the_word_right_before_the_repair_does_not_count(
    case: Case, dead: DemoCase, tmp_path: Path
) -> None:
    """Then the fault was on the board, and the reader would call the word right in any case."""
    passes(case, dead, tmp_path, 1, note="")
    passes(case, dead, tmp_path, 3)
    proof = Casework(case).proof()
    assert not proof.credited and proof.uncovered
    assert all("before the repair, too" in each.why_not for each in proof.uncovered)
    assert "in a reader" not in bar(proof).remedy
    assert bar(proof).verdict == "not covered"


def test_a_fresh_pass_that_holds_the_word_wrong_does_not_count(
    case: Case, dead: DemoCase, tmp_path: Path
) -> None:
    open_ = [each.address for each in Casework(case).proof().uncovered]
    passes(case, dead, tmp_path, 2)
    passes(case, dead, tmp_path, 1, wrong=open_[0])  # U2 answers from address 0 on
    proof = Casework(case).proof([case.entries()[2]], [each for each, _ in Casework(case).readings()])
    assert proof.verdict == "not proved"
    assert [each.address for each in proof.uncovered] == open_[:1]
    assert "a fresh pass of U2" in proof.uncovered[0].why_not


# -- waived ------------------------------------------------------------------------------------------------


def waive(case: Case, where: str, why: str = "Only the program gone astray reads them.") -> Entry:
    work = Casework(case)
    return case.add(waiver_of(work.machine, work.proof(), where, why))


def test_a_waiver_ends_the_proof_and_proves_nothing(case: Case) -> None:
    work = Casework(case)
    open_ = tuple(each.address for each in work.proof().uncovered)
    entry = waive(case, f"{open_[0]:X}..0x{open_[-1]:x}")
    assert isinstance(entry.detail, WordsWaived) and entry.detail.addresses == open_
    proof = work.proof()
    assert proof.verdict == "waived" and bar(proof).verdict == "waived" and not proof.uncovered
    (waived,) = proof.waived
    assert (waived.addresses, waived.entry, waived.by) == (open_, entry.number, "Ada at bench 3")
    assert "Only the program gone astray reads them" in waived.sentence and "not proved" in waived.sentence
    assert work.overview().proved == "waived"
    case.withdraw(entry.number, "not so")
    assert work.proof().verdict == "not covered" and work.overview().proved == "not covered"


def test_a_waiver_holds_for_the_words_that_were_open_and_no_others(case: Case) -> None:
    """However wide its range: what becomes open later is for a person to look at again."""
    waive(case, "0000..FFFF")
    fresh = next(entry for entry, _ in Casework(case).captures(proof=True))
    proof = Casework(case).proof([fresh])
    assert proof.verdict == "waived"
    wrong = {each.address for each in Casework(case).proof([], []).uncovered}
    assert len(wrong) > len(proof.waived[0].addresses)


def test_a_waiver_older_than_the_fault_counts_no_more(case: Case, dead: DemoCase, longer: DemoCase) -> None:
    entry = waive(case, "0000..FFFF")
    case.add_capture(dead.captures[0].path, "u1-timing", note="it is back")
    case.add_capture(longer.captures[0].path, "u1-timing", note="proof: once more")
    proof = Casework(case).proof()
    assert proof.verdict == "not covered" and not proof.waived
    assert any(f"Entry {entry.number} waives" in each for each in proof.notes)


def test_what_a_fresh_capture_shows_wrong_cannot_be_waived(case: Case, dead: DemoCase) -> None:
    waive(case, "0000..FFFF")
    case.add_capture(dead.captures[0].path, "u1-timing", note="proof: still dead")
    assert Casework(case).proof().verdict == "not proved"
    with pytest.raises(UsageError, match="still shows wrong words"):
        waive(case, "0000")


def test_what_cannot_be_waived(case: Case, longer: DemoCase) -> None:
    work = Casework(case)
    open_ = [each.address for each in work.proof().uncovered]
    sound = next(iter(read_by(longer)))
    mistakes = {
        (f"{sound:04X}", "x"): "No word that was wrong is open",
        ("12G4", "x"): "'g' is no digit",
        ("12345", "x"): "more than 16 bits",
        ("..", "x"): "there is no digit",
        (f"{open_[0]:04X}", "  "): "Why may",
    }
    for (where, why), message in mistakes.items():
        with pytest.raises(UsageError, match=message) as caught:
            waive(case, where, why)
        assert caught.value.remedy
    entry = waive(case, f"0x{open_[0]:04X}")
    with pytest.raises(UsageError, match=f"Entry {entry.number} waives"):
        waive(case, f"0x{open_[0]:04X}")
    assert len(case.of_kind(WordsWaived)) == 1


def test_nothing_is_waived_before_anything_fresh_is_there(
    make: Callable[..., Case],
) -> None:
    case = make("u1-timing")
    open_ = Casework(case).proof().uncovered
    with pytest.raises(UsageError, match="No fresh capture looks at the bus of U1"):
        waive(case, f"{open_[0].address:X}")
