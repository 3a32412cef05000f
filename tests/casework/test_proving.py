"""A repair is proved when all that was wrong is judged again and agrees; else it is said what is left."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from casework.taken import capture_at
from wrongbit.case.entries import Entry, FindingRecorded, ValueAdded
from wrongbit.case.folder import Case
from wrongbit.casework.casework import Casework
from wrongbit.casework.proof import Proof, ProofLine
from wrongbit.demo.case import DemoCase
from wrongbit.errors import UsageError


def line(proof: Proof, title: str) -> ProofLine:
    (found,) = [each for each in proof.lines if each.title == title]
    return found


def passes(case: Case, tmp_path: Path, demo: DemoCase, *wrong_bits: int, note: str = "") -> list[Entry]:
    """Passes of U11, each with so many wrong bits."""
    truth = demo.machine.board.chip("U11").contents.astype(np.uint8)
    found = []
    for number, count in enumerate(wrong_bits):
        words = truth.copy()
        words[:count] ^= np.uint8(1)
        path = tmp_path / f"u11-{number}-{count}.bin"
        path.write_bytes(words.tobytes())
        found.append(case.add_reading(path, "U11", note=note))
    return found


@pytest.fixture
def broken(make: Callable[..., Case]) -> Case:
    return make("u1-timing")


def fresh(case: Case, demo: DemoCase, point: str = "u1-timing", note: str = "proof") -> Entry:
    return case.add_capture(capture_at(demo, point), point, note=note)


def test_a_repaired_machine_is_proved(broken: Case, repaired: DemoCase) -> None:
    entry = fresh(broken, repaired)
    proof = Casework(broken).proof()
    assert proof.verdict == "proved" and not proof.uncovered
    assert proof.captures_after == (entry.number,)
    assert line(proof, "words read by U1").verdict == "proved"
    (finding,) = [each for _, each in broken.of_kind(FindingRecorded) if each.what == "proof"]
    assert finding.key == proof.key and finding.says.startswith("proved: ")
    assert {each.sha256 for each in finding.evidence} == {
        each.detail.file.sha256
        for each in broken.entries()
        if each.number in (*proof.captures_before, *proof.captures_after)
    }
    Casework(broken).proof()
    assert len([each for _, each in broken.of_kind(FindingRecorded) if each.what == "proof"]) == 1


def test_without_anything_fresh_every_wrong_address_is_told(broken: Case) -> None:
    work = Casework(broken)
    proof = work.proof()
    comparison = work.comparison(work.captures()[0][0])
    wrong = comparison.verdicts.wrong != 0
    places = {
        (int(bank), int(address))
        for bank, address in zip(comparison.cycles.bank[wrong], comparison.cycles.address[wrong], strict=True)
    }
    assert proof.verdict == "not covered"
    assert {(each.bank, each.address) for each in proof.uncovered} == places


def test_a_machine_that_is_still_wrong_is_not_proved(broken: Case, recorder: DemoCase) -> None:
    fresh(broken, recorder)
    proof = Casework(broken).proof()
    assert proof.verdict == "not proved" and "still differ" in line(proof, "words read by U1").says


def test_a_second_attempt_counts_in_place_of_the_first(
    broken: Case, recorder: DemoCase, repaired: DemoCase
) -> None:
    fresh(broken, recorder)
    entry = fresh(broken, repaired)
    proof = Casework(broken).proof()
    assert proof.verdict == "proved" and proof.captures_after == (entry.number,)


def test_proof_that_is_older_than_the_fault_proves_nothing(
    make: Callable[..., Case], recorder: DemoCase, repaired: DemoCase
) -> None:
    case = make()
    old = fresh(case, repaired)
    fresh(case, recorder, note="")
    proof = Casework(case).proof()
    assert proof.verdict == "not covered" and proof.captures_after == ()
    # A person who names it takes the responsibility.
    assert Casework(case).proof([old]).verdict == "proved"


def test_without_notes_the_newest_since_the_last_wrong_one_counts(broken: Case, repaired: DemoCase) -> None:
    fresh(broken, repaired, note="")
    assert Casework(broken).proof().verdict == "proved"


def test_a_shorter_capture_is_not_enough(broken: Case, repaired: DemoCase, tmp_path: Path) -> None:
    lines = capture_at(repaired, "u1-timing").read_text().splitlines(keepends=True)
    path = tmp_path / "short.csv"
    path.write_text("".join(lines[: len(lines) // 8]))
    broken.add_capture(path, "u1-timing", note="proof")
    proof = Casework(broken).proof()
    assert proof.verdict == "not covered"
    assert line(proof, "words judged on the bus of U1").verdict == "not covered"


def test_bits_that_are_not_seen_are_not_covered(broken: Case, repaired: DemoCase, tmp_path: Path) -> None:
    """The fresh capture has no digit where some of the wrong bits are."""
    rows = [row.split(",") for row in capture_at(repaired, "u1-cycles").read_text().splitlines()]
    assert rows[0][3] == "Word"
    for row in rows[1:]:
        row[3] = f"{row[3][:3]}X"
    path = tmp_path / "half.csv"
    path.write_text("\n".join(map(",".join, rows)) + "\n")
    broken.add_capture(path, "u1-cycles", note="proof")
    proof = Casework(broken).proof()
    assert proof.verdict == "not covered" and proof.uncovered
    assert all(0 < each.bits <= 0xF for each in proof.uncovered)


# -- readings ----------------------------------------------------------------------------------------------


def test_a_replaced_chip_is_read_again(make: Callable[..., Case], recorder: DemoCase, tmp_path: Path) -> None:
    case = make()
    passes(case, tmp_path, recorder, 5, 7)
    work = Casework(case)
    assert work.proof().lines[0].before == "2 passes, 2 of them with 5 to 7 wrong bits"
    assert work.proof().verdict == "not covered"
    passes(case, tmp_path, recorder, 0, note="proof")
    assert line(work.proof(), "U11 in a reader").says == "1 pass is too few: read it 2 times."
    passes(case, tmp_path, recorder, 0, note="proof")
    assert work.proof().verdict == "proved"
    passes(case, tmp_path, recorder, 1, note="proof")
    assert work.proof().verdict == "not proved"
    assert work.overview().proved == "not proved"


def test_the_image_that_was_programmed_is_what_is_read_back(
    make: Callable[..., Case], recorder: DemoCase, tmp_path: Path
) -> None:
    case = make()
    passes(case, tmp_path, recorder, 5)
    truth = recorder.machine.board.chip("U11").contents.astype(np.uint8)
    image = tmp_path / "new.bin"
    image.write_bytes(truth.tobytes())
    case.add_reference(image, "image", "U11", note="programmed")
    passes(case, tmp_path, recorder, 0, note="proof")
    proof = Casework(case).proof()
    assert proof.verdict == "proved" and line(proof, "U11's image file").after == "equal"
    other = truth.copy()
    other[100] ^= np.uint8(0x81)
    image.write_bytes(other.tobytes())
    case.add_reference(image, "image", "U11", note="programmed: second try")
    proof = Casework(case).proof()
    assert proof.verdict == "not proved" and line(proof, "U11's image file").after == "2 bits differ"


# -- ladder ------------------------------------------------------------------------------------------------


def test_a_rung_that_failed_must_hold_now(broken: Case, repaired: DemoCase) -> None:
    broken.add(ValueAdded("VCC = 4.2 V"))
    fresh(broken, repaired)
    work = Casework(broken)
    assert line(work.proof(), "VCC voltage").verdict == "not covered"  # measured before the repair only
    broken.add(ValueAdded("VCC = 4.3 V"))
    assert line(work.proof(), "VCC voltage").verdict == "not proved"
    broken.add(ValueAdded("VCC = 5 V"))
    proof = work.proof()
    assert line(proof, "VCC voltage").verdict == "proved" and proof.verdict == "proved"
    assert line(proof, "VCC voltage").before == "4.3 V"


def test_the_overview_forgets_a_proof_when_something_is_added(broken: Case, repaired: DemoCase) -> None:
    fresh(broken, repaired)
    work = Casework(broken)
    work.proof()
    assert work.overview().proved == "proved"
    broken.add(ValueAdded("VCC = 4.2 V"))
    assert work.overview().proved == ""


def test_what_is_proof_is_not_weighed(broken: Case, repaired: DemoCase) -> None:
    work = Casework(broken)
    before = work.overview().suspects
    fresh(broken, repaired)
    assert work.overview().suspects == before


def test_entries_that_are_no_captures_are_refused(broken: Case) -> None:
    with pytest.raises(UsageError, match="no capture that counts"):
        Casework(broken).proof([broken.entries()[0]])
