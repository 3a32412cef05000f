"""Rows written by hand in case.toml: taken in once, followed when they change; the file stays untouched."""

from __future__ import annotations

from pathlib import Path

import pytest

from wrongbit.case import taken
from wrongbit.case.entries import CaptureAdded, MeasurementAdded, ReadingAdded, Withdrawn
from wrongbit.case.folder import Case
from wrongbit.errors import InputError

CAPTURE = '[[capture]]\npoint = "u1-cycles"\nfile = "u1.csv"\nnote = "cold"\n'
READING = '[[reading]]\nchip = "U5"\nfile = "u5.bin"\n'
MEASURED = (
    '[[measurement]]\nkind = "continuity"\npart = "X4"\nline = "d5"\noutcome = "open"\nnote = "0.2 ohm"\n'
)


@pytest.fixture
def written(folder: Path) -> Path:
    (folder / "u1.csv").write_bytes(b"No;Address;Data;Status\n")
    write(folder, CAPTURE + READING + MEASURED)
    return folder


def write(folder: Path, text: str) -> None:
    (folder / "case.toml").write_text(text, encoding="utf-8")


def live(folder: Path) -> list[object]:
    """What counts, without the machine file."""
    with Case.open(folder) as case:
        assert case.verify() == ()
        return [each.detail for each in case.entries() if not isinstance(each.detail, Withdrawn)][1:]


def test_rows_are_taken_in_once_and_the_file_stays(written: Path) -> None:
    before = (written / "case.toml").read_bytes()
    capture, reading, measured = live(written)
    assert isinstance(capture, CaptureAdded) and (capture.point, capture.note) == ("u1-cycles", "cold")
    assert capture.file.name == "u1.csv" and capture.file.byte_count == 23
    assert isinstance(reading, ReadingAdded) and (reading.chip, reading.format) == ("U5", "auto")
    assert measured == MeasurementAdded("continuity", "X4", "D5", "", "open", "0.2 ohm")
    assert live(written) == [capture, reading, measured]
    assert (written / "case.toml").read_bytes() == before


def test_a_new_row_is_added_at_the_next_open(written: Path) -> None:
    before = live(written)
    write(written, CAPTURE + READING + MEASURED + MEASURED.replace("d5", "D6"))
    assert live(written) == [*before, MeasurementAdded("continuity", "X4", "D6", "", "open", "0.2 ohm")]


def test_an_open_case_takes_in_when_asked(written: Path) -> None:
    with Case.open(written) as case:
        write(written, CAPTURE + READING)
        assert len(case.of_kind(MeasurementAdded)) == 1
        case.refresh()
        assert case.of_kind(MeasurementAdded) == ()


def test_a_corrected_row_replaces_what_it_said(written: Path) -> None:
    live(written)
    write(written, CAPTURE + READING + MEASURED.replace('"open"', '"good"'))
    assert [each.outcome for each in live(written) if isinstance(each, MeasurementAdded)] == ["good"]
    with Case.open(written) as case:
        (withdrawal,) = case.of_kind(Withdrawn)
        assert withdrawal[1] == Withdrawn(4, "It no longer stands in case.toml.")
    write(written, CAPTURE + READING + MEASURED)  # and back again
    assert [each.outcome for each in live(written) if isinstance(each, MeasurementAdded)] == ["open"]


def test_a_file_exported_anew_replaces_the_old_one(written: Path) -> None:
    live(written)
    (written / "u1.csv").write_bytes(b"No;Address;Data;Status\n0;1;2;read\n")
    (capture,) = [each for each in live(written) if isinstance(each, CaptureAdded)]
    assert capture.file.byte_count == 34


def test_the_original_stays_when_the_file_beside_goes(written: Path) -> None:
    before = live(written)
    (written / "u1.csv").unlink()
    assert live(written) == before


def test_what_a_person_withdrew_does_not_come_back(written: Path) -> None:
    with Case.open(written) as case:
        case.withdraw(case.of_kind(MeasurementAdded)[0][0].number, "measured on the wrong side")
    assert not [each for each in live(written) if isinstance(each, MeasurementAdded)]


def test_a_row_that_says_what_was_added_otherwise(written: Path) -> None:
    write(written, "")
    with Case.open(written) as case:
        case.add(MeasurementAdded("continuity", "X4", "D5", "", "open", "said by voice"))
        case.add_capture(written / "u1.csv", "u1-cycles", name="other name.csv")
    before = live(written)
    write(written, CAPTURE + MEASURED)
    assert live(written) == before
    write(written, "")
    assert live(written) == before  # what was added otherwise is not withdrawn


def test_two_equal_rows_are_two_measurements(written: Path) -> None:
    write(written, MEASURED + MEASURED)
    assert len(live(written)) == 2
    write(written, MEASURED)
    assert len(live(written)) == 1


def test_a_case_without_its_file_keeps_everything(written: Path) -> None:
    before = live(written)
    (written / "case.toml").unlink()
    assert live(written) == before


@pytest.mark.parametrize(
    ("good", "bad", "key", "said"),
    [
        ("u1-cycles", "u1-cycle", "capture[0].point", "Did you mean 'u1-cycles'"),
        ('"u1.csv"', '"u2.csv"', "capture[0].file", "no file 'u2.csv'"),
        ('"u1.csv"', '"../../etc/passwd"', "capture[0].file", "outside the case's folder"),
        ('"u1.csv"', '"/etc/passwd"', "capture[0].file", "outside the case's folder"),
        ('"u1.csv"', "3", "capture[0].file", "text is expected"),
        ('"U5"', '"U6"', "reading[0].chip", "no ROM 'U6'"),
        ('"d5"', '"five"', "measurement[0].line", "D5 or A12"),
        ("[[capture]]", "[capture]", "capture", "[[capture]]"),
    ],
)
def test_a_mistake_is_told_and_nothing_is_taken_in(
    good: str, bad: str, key: str, said: str, written: Path
) -> None:
    write(written, (CAPTURE + READING + MEASURED).replace(good, bad, 1))
    with pytest.raises(InputError) as caught:
        Case.open(written)
    assert caught.value.key == key and said in f"{caught.value.message} {caught.value.remedy}"
    with Case.open(written, take_in=False) as case:
        assert len(case.entries()) == 1  # the machine file
    write(written, CAPTURE + READING + MEASURED)
    assert len(live(written)) == 3


def test_rows_wait_while_the_machine_file_is_broken(written: Path) -> None:
    machine = (written / "machine.toml").read_bytes()
    (written / "machine.toml").write_bytes(b"[machine\n")
    assert live(written) == []
    (written / "machine.toml").write_bytes(machine)
    with Case.open(written) as case:
        assert len(case.of_kind(CaptureAdded)) == 1


def test_captures_are_not_read_again_at_every_open(written: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live(written)
    read: list[Path] = []
    real = taken.hash_of
    monkeypatch.setattr(taken, "hash_of", lambda path: (read.append(path), real(path))[1])
    Case.open(written).close()
    assert read == []
    (written / "derived/hashes.json").write_text("[rubbish")
    Case.open(written).close()
    assert sorted(each.name for each in read) == ["u1.csv", "u5.bin"]
