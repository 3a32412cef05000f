"""What is computed of a case is what is computed of its files; it is kept, and it is never stale."""

from __future__ import annotations

import csv
import json
import os
import re
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

import wrongbit
from casework.taken import capture_at, first_capture
from wrongbit.bus.cycles import Cycles
from wrongbit.case.entries import FindingRecorded, ReadingAdded, ValueAdded
from wrongbit.case.folder import Case
from wrongbit.casework import casework as module
from wrongbit.casework.casework import Casework
from wrongbit.casework.kept import load_cycles, load_values, save_cycles, save_values
from wrongbit.compare.verdicts import DIFFERS
from wrongbit.demo.case import DemoCase, write_case
from wrongbit.errors import CaptureError, CaseError, MachineFileError, UsageError
from wrongbit.job import Comparison, compare_capture, open_job


def same(one: Any, other: Any) -> bool:
    return all(np.array_equal(getattr(one, each.name), getattr(other, each.name)) for each in fields(one))


def plain(demo: DemoCase, point: str) -> Comparison:
    """The comparison of the files themselves, without a case."""
    return compare_capture(open_job(demo.machine_file, point=point), capture_at(demo, point))


def derived(case: Any, pattern: str) -> list[Path]:
    return sorted((case.folder / "derived").rglob(pattern))


@pytest.mark.parametrize("point", ["u1-timing", "u1-state", "u1-cycles"])
def test_a_case_says_what_its_files_say(point: str, make: Callable[..., Case], recorder: DemoCase) -> None:
    case = make(point)
    expected = plain(recorder, point)
    for _ in range(2):  # computed, then from what was kept
        found = Casework(case).comparison(first_capture(Casework(case)))
        assert same(found.cycles, expected.cycles) and same(found.verdicts, expected.verdicts)
        assert found.summary == expected.summary
        assert [note for note in found.notes if "store/" in note] == []
        assert len(found.notes) == len(expected.notes)


def test_what_was_kept_is_used(work: Casework, monkeypatch: pytest.MonkeyPatch) -> None:
    expected = work.comparison(first_capture(work))

    def refuse(*_: object) -> None:
        raise AssertionError("the original was read again")

    monkeypatch.setattr(module, "open_samples", refuse)
    monkeypatch.setattr(module, "read_samples", refuse)
    assert same(Casework(work.case).comparison(first_capture(work)).cycles, expected.cycles)


def test_without_cycles_the_packed_samples_are_used(work: Casework, monkeypatch: pytest.MonkeyPatch) -> None:
    expected = work.comparison(first_capture(work))
    for path in derived(work.case, "cycles-*.parquet"):
        path.unlink()
    monkeypatch.setattr(module, "open_samples", lambda *_: pytest.fail("the original was read again"))
    assert same(Casework(work.case).comparison(first_capture(work)).cycles, expected.cycles)


def _truncate(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x10
    path.write_bytes(data)


def _foreign(path: Path) -> None:
    pl.DataFrame({"word": [1, 2, 3]}).write_parquet(path)


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize("spoil", [_truncate, _flip, _foreign, _empty, _folder])
@pytest.mark.parametrize("pattern", ["cycles-*.parquet", "samples-*.parquet"])
def test_a_damaged_or_foreign_file_is_computed_again(
    spoil: Callable[[Path], None], pattern: str, work: Casework
) -> None:
    entry = first_capture(work)
    expected = work.comparison(entry)
    window = work.samples(entry, 100, 900)
    for path in derived(work.case, pattern):
        spoil(path)
    if pattern.startswith("samples"):  # so that they are needed
        for path in derived(work.case, "cycles-*.parquet"):
            path.unlink()
    again = Casework(work.case)
    found = again.comparison(entry)
    assert same(found.cycles, expected.cycles) and found.notes == expected.notes
    assert np.array_equal(again.samples(entry, 100, 900).planes[0], window.planes[0])


def test_cycles_of_another_key_are_not_taken(tmp_path: Path, recorder: DemoCase) -> None:
    cycles = plain(recorder, "u1-cycles").cycles
    path = tmp_path / "cycles.parquet"
    save_cycles(path, "a", cycles, ("a note",))
    found = load_cycles(path, "a")
    assert found is not None and same(found[0], cycles) and found[1] == ("a note",)
    assert load_cycles(path, "b") is None
    assert not list(tmp_path.glob(".*"))
    # The same rows with one word changed by somebody else, its key and description kept.
    frame = pl.read_parquet(path)
    told = pl.read_parquet_metadata(path)
    words = frame["word"].to_list()
    changed = frame.with_columns(word=pl.Series([words[0] ^ 1, *words[1:]], dtype=pl.UInt64))
    changed.write_parquet(path, metadata={key: told[key] for key in told if key.startswith("wrongbit")})
    assert load_cycles(path, "a") is None
    save_cycles(path, "a", Cycles.empty(), ())
    empty = load_cycles(path, "a")
    assert empty is not None and len(empty[0]) == 0


def test_values_of_another_key_are_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "values.json"
    save_values(path, "a", {"one": [1, 2.5, "µ"]})
    assert load_values(path, "a") == {"one": [1, 2.5, "µ"]}
    assert load_values(path, "b") is None
    path.write_text(path.read_text().replace("2.5", "2.6"))
    assert load_values(path, "a") is None
    path.write_text("[" * 100_000)
    assert load_values(path, "a") is None


# -- never stale -------------------------------------------------------------------------------------------


def recorded(case: Any, what: str) -> list[FindingRecorded]:
    return [each for _, each in case.of_kind(FindingRecorded) if each.what == what]


def test_a_result_is_recorded_once_with_its_evidence(work: Casework) -> None:
    entry = first_capture(work)
    found = work.diagnosis(entry)
    work.diagnosis(entry)
    Casework(work.case).diagnosis(entry)
    (finding,) = recorded(work.case, "diagnose")
    assert finding.evidence[0].sha256 == entry.detail.file.sha256
    wrong = found.comparison.verdicts.verdict == DIFFERS
    samples = found.comparison.cycles.sample[wrong]
    assert finding.evidence[0].rows == tuple(samples[: len(finding.evidence[0].rows)].tolist())
    assert 0 < len(finding.evidence[0].rows) <= 50
    assert "U11" in finding.says
    assert next(e for e in work.case.entries() if e.detail == finding).version == wrongbit.__version__


def test_a_changed_machine_file_is_computed_anew(work: Casework) -> None:
    before = work.overview()
    file = work.case.machine_file
    text = file.read_text()
    file.write_text(text.replace('name = "Saltmarsh tide recorder"', 'name = "Recorder 7"'))
    after = work.overview(compute=False)
    assert after.machine == "Recorder 7" and not after.up_to_date
    assert after.captures[0].problem == "Not computed yet." and after.captures[0].cycles == 0
    again = work.overview()
    assert again.up_to_date and again.key != before.key and again.captures == before.captures
    assert len(recorded(work.case, "diagnose")) == 2
    # Put back as it was, the first result counts again, and nothing is computed.
    file.write_text(text)
    assert work.overview(compute=False) == before


def test_a_changed_image_is_computed_anew(work: Casework) -> None:
    entry = first_capture(work)
    before = work.comparison(entry)
    word = work.overview().captures[0].first_wrong
    assert word is not None and before.summary.agrees > 0
    # The reference now holds at the first wrong address what was seen there.
    listing = work.case.folder / "bank0.lst"
    lines = listing.read_text().splitlines()
    place = re.compile(rf"\b{word.address:04X}\b.*\b{word.expected:04X}\b")
    (number,) = [k for k, line in enumerate(lines) if place.search(line)]
    lines[number] = lines[number].replace(f"{word.expected:04X}", f"{word.seen:04X}", 1)
    listing.write_text("\n".join(lines) + "\n")
    after = work.comparison(entry)
    assert after.summary.first_wrong != before.summary.first_wrong
    assert work.overview().captures[0].first_wrong != word
    assert same(after.cycles, before.cycles)


def test_a_withdrawn_capture_does_not_count(make: Callable[..., Case]) -> None:
    case = make("u1-timing", "u1-cycles")
    work = Casework(case)
    both = work.overview()
    assert [each.point for each in both.captures] == ["u1-timing", "u1-cycles"]
    case.withdraw(both.captures[0].entry, "wrong clip")
    one = work.overview()
    assert [each.point for each in one.captures] == ["u1-cycles"]
    assert one.key != both.key and one.suspects != both.suspects
    weighing = work.weighing()
    assert weighing is not None and len(weighing.looks) == 1


def test_another_version_computes_anew(work: Casework, monkeypatch: pytest.MonkeyPatch) -> None:
    work.overview()
    monkeypatch.setattr(wrongbit, "__version__", "99.0")
    assert not work.overview(compute=False).up_to_date
    assert work.overview().version == "99.0"
    assert len(recorded(work.case, "diagnose")) == len(recorded(work.case, "suspects")) == 2
    assert len(derived(work.case, "cycles-*.parquet")) == 2


def test_a_capture_that_was_added_twice_is_one_witness(work: Casework, recorder: DemoCase) -> None:
    """As two, it would make the suspects look surer than what was seen."""
    before = work.weighing()
    work.case.add_capture(capture_at(recorder, "u1-timing"), "u1-timing", name="again.csv")
    again = Casework(work.case).weighing()
    assert before is not None and again is not None
    assert again.labels == before.labels and again.doubt == pytest.approx(before.doubt, abs=1e-12)


def test_an_original_that_was_changed_is_not_read(work: Casework) -> None:
    entry = first_capture(work)
    path = work.case.path_of(entry.detail.file)
    path.chmod(0o644)
    with path.open("ab") as file:
        file.write(b"1,2,3\n")
    with pytest.raises(CaseError, match="not what was added"):
        work.comparison(entry)
    assert "not what was added" in work.overview().captures[0].problem


def test_an_original_that_was_changed_under_its_old_date_is_not_read(work: Casework) -> None:
    """A date is easily put back, or comes along with a copy."""
    entry = first_capture(work)
    work.original(entry.detail.file)
    path = work.case.path_of(entry.detail.file)
    about = path.stat()
    path.chmod(0o644)
    data = path.read_bytes()
    path.write_bytes(data[:-2] + bytes([data[-2] ^ 1]) + data[-1:])
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))
    assert path.stat().st_mtime_ns == about.st_mtime_ns
    with pytest.raises(CaseError, match="not what was added"):
        work.original(entry.detail.file)


# -- mistakes ----------------------------------------------------------------------------------------------


def test_a_capture_that_cannot_be_read_spoils_only_its_own_line(
    make: Callable[..., Case], tmp_path: Path
) -> None:
    case = make("u1-timing")
    bad = tmp_path / "bad.csv"
    bad.write_text("no,such,columns\n1,2,3\n")
    entry = case.add_capture(bad, "u1-timing")
    work = Casework(case)
    with pytest.raises(CaptureError) as caught:
        work.comparison(entry)
    assert caught.value.file == "bad.csv"  # as it was called, not its place in the store
    found = work.overview()
    assert found.captures[0].cycles > 0 and not found.captures[0].problem
    assert found.captures[1].problem and "store" not in found.captures[1].problem
    assert any("bad.csv" in each for each in found.questions)


def test_a_missing_image_is_told_by_what_needs_it(work: Casework) -> None:
    (work.case.folder / "bank0.lst").unlink()
    assert work.machine.machine.name == "Saltmarsh tide recorder"
    with pytest.raises(MachineFileError, match=r"bank0\.lst"):
        work.comparison(first_capture(work))
    assert "bank0.lst" in work.overview().captures[0].problem


def test_an_added_image_stands_in_for_one_that_is_missing(work: Casework, recorder: DemoCase) -> None:
    entry = first_capture(work)
    expected = work.comparison(entry).summary
    chip = next(each for each in work.machine.chip if each.name == "U11")
    truth = recorder.machine.board.chip("U11").contents.astype(np.uint8).tobytes()
    file = work.case.machine_file
    named = re.search(rf'name = "{chip.name}"\n.*?image = \{{[^\n]*\}}', file.read_text(), re.S)
    assert named is not None
    file.write_text(
        file.read_text().replace(named[0], re.sub(r'file = "[^"]+"', 'file = "lost.bin"', named[0]))
    )
    with pytest.raises(MachineFileError, match=r"lost\.bin"):
        work.comparison(entry)
    image = work.case.folder / "u11.bin"
    image.write_bytes(truth)
    work.case.add_reference(image, "image", "U11")
    assert work.comparison(entry).summary.differs == expected.differs


def test_a_noise_rate_that_cannot_be(work: Casework) -> None:
    with pytest.raises(UsageError, match="noise rate"):
        Casework(work.case, noise=0.5)


# -- samples -----------------------------------------------------------------------------------------------


def levels(path: Path, name: str) -> list[int]:
    """One signal of a CSV file, by the standard library's reader."""
    rows = list(csv.reader(path.read_text().splitlines()))
    head = next(k for k, row in enumerate(rows) if any(cell.strip() == name for cell in row))
    column = [cell.strip() for cell in rows[head]].index(name)
    return [int(row[column]) for row in rows[head + 1 :] if len(row) == len(rows[head])]


@pytest.mark.parametrize(("first", "last"), [(0, 40), (1000, 1100), (1023, 1024), (5000, 9000), (-5, 3)])
def test_a_window_shows_the_samples_of_the_file(
    first: int, last: int, make: Callable[..., Case], recorder: DemoCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wrongbit.capture.store.BLOCK_ROWS", 1024)
    work = Casework(make("u1-timing"))
    found = work.samples(first_capture(work), first, last)
    begin = max(first, 0)
    assert found.first_sample == begin and len(found) == last - begin + 1
    assert found.source == "u1-timing.csv"
    name = next(each for each in levels_in(capture_at(recorder, "u1-timing")) if each.endswith("GET"))
    plane, bit = divmod(found.layout.signals["GET"], 64)
    got = (found.planes[plane] >> np.uint64(bit)) & np.uint64(1)
    assert got.tolist() == levels(capture_at(recorder, "u1-timing"), name)[begin : last + 1]
    at = found.times.at(np.arange(len(found)))
    assert at is not None and set(np.diff(at).tolist()) == {recorder.machine.period_ps}


def levels_in(path: Path) -> list[str]:
    rows = list(csv.reader(path.read_text().splitlines()))
    return next([cell.strip() for cell in row] for row in rows if any("GET" in cell for cell in row))


def test_a_window_reads_only_the_blocks_that_hold_it(
    make: Callable[..., Case], monkeypatch: pytest.MonkeyPatch
) -> None:
    from wrongbit.capture import store

    monkeypatch.setattr(store, "BLOCK_ROWS", 1024)
    work = Casework(make("u1-timing"))
    work.samples(first_capture(work), 0, 10)
    checked: list[int] = []
    checksum = store._checksum

    def counted(block: pl.DataFrame) -> int:
        checked.append(block.height)
        return checksum(block)

    monkeypatch.setattr(store, "_checksum", counted)
    work.samples(first_capture(work), 2040, 2060)
    assert checked == [1024, 1024]


def test_windows_that_cannot_be(make: Callable[..., Case]) -> None:
    work = Casework(make("u1-timing", "u1-cycles"))
    (timing, _), (cycles, _) = work.captures()
    with pytest.raises(UsageError, match="no samples"):
        work.samples(timing, 10**9, 10**9 + 5)
    with pytest.raises(UsageError, match="too many"):
        work.samples(timing, 0, 10**9)
    with pytest.raises(UsageError, match="whole bus cycles"):
        work.samples(cycles, 0, 5)
    with pytest.raises(UsageError, match="no capture"):
        work.comparison(work.case.entries()[0])


# -- ladder ------------------------------------------------------------------------------------------------


def test_the_newest_value_of_a_rung_counts(work: Casework) -> None:
    work.case.add(ValueAdded("VCC = 4.2 V"))
    assert work.ladder().first_outside is not None
    assert any("VCC" in each for each in work.overview().questions)
    work.case.add(ValueAdded("VCC = 5.02 V"))
    work.case.add(ValueAdded("no such rung = 1 V"))
    ladder = work.ladder()
    assert ladder.first_outside is None and ladder.rungs[0].measured == "5.02 V"
    assert work.overview().rungs[0].verdict == "within"


# -- at a glance -------------------------------------------------------------------------------------------


def test_the_overview_survives_json_and_another_process(work: Casework) -> None:
    from wrongbit.casework.overview import as_values, from_values

    found = work.overview()
    assert from_values(json.loads(json.dumps(as_values(found)))) == found
    again = Casework(work.case).overview(compute=False)
    assert again.up_to_date and again == found


def test_what_the_overview_says_is_what_was_found(work: Casework, recorder: DemoCase) -> None:
    found = work.overview()
    (line,) = found.captures
    expected = plain(recorder, "u1-timing")
    row = expected.summary.first_wrong
    assert row is not None and line.first_wrong is not None
    assert (line.differs, line.agrees) == (expected.summary.differs, expected.summary.agrees)
    assert line.first_wrong.cycle == row
    assert line.first_wrong.mask == line.first_wrong.expected ^ line.first_wrong.seen
    assert line.first_wrong.chips == ("U11",)
    assert found.suspects and found.suspects[0].share >= found.suspects[-1].share
    assert found.chips[0].state in ("not read", "not compared")
    assert found.entries == first_capture(work).number


def test_progress_reaches_its_end_once(make: Callable[..., Case]) -> None:
    work = Casework(make("u1-timing"))
    told: list[float] = []
    work.comparison(first_capture(work), lambda done, total: told.append(done / total))
    assert told == sorted(told) and told[-1] == pytest.approx(1)


def test_cancelling_leaves_nothing_half_done(make: Callable[..., Case]) -> None:
    class CancelledError(Exception):
        pass

    def cancel(done: int, total: int) -> None:
        raise CancelledError

    work = Casework(make("u1-timing"))
    with pytest.raises(CancelledError):
        work.comparison(first_capture(work), cancel)
    assert not derived(work.case, "*.parquet") and not derived(work.case, ".*.part")
    assert work.comparison(first_capture(work)).summary.differs > 0


def test_addresses_that_are_recovered_follow_the_reference(make: Callable[..., Case]) -> None:
    """Where addresses are not to be relied on, they come from the words: an image decides then, too."""
    work = Casework(make("u1-timing"))
    entry = first_capture(work)
    trusted = work.comparison(entry)
    file = work.case.machine_file
    file.write_text(
        file.read_text().replace('name = "u1-timing"', 'name = "u1-timing"\naddress_trusted = false')
    )
    recovered = work.comparison(entry)
    assert any("recovered from the words" in note for note in recovered.notes)
    assert not same(recovered.cycles, trusted.cycles)
    count = len(derived(work.case, "cycles-*.parquet"))
    listing = work.case.folder / "bank0.lst"
    listing.write_text(listing.read_text() + "; one more line\n")
    work.comparison(entry)
    assert len(derived(work.case, "cycles-*.parquet")) == count + 1
    expected = compare_capture(open_job(file, point="u1-timing"), work.case.path_of(entry.detail.file))
    assert same(work.comparison(entry).cycles, expected.cycles)


def test_mistakes_to_be_checked_first_are_open_questions(tmp_path: Path) -> None:
    """A lead that is off its pin: a sound machine shows wrong words, and the clip is told first."""
    demo = write_case(tmp_path / "files", "quarrybank", "none", points=["u1-cycles"], cycles=6000)
    file = demo.captures[0].path
    table = pl.read_csv(file, infer_schema=False)
    low = [f"{int(each, 16) & ~0x20:02X}" for each in table["DAT"]]
    table.with_columns(pl.Series("DAT", low)).write_csv(file)
    names = {path: path.name for path in demo.images} | {demo.machine_file: "machine.toml"}
    with Case.create(tmp_path / "kiln", {name: path.read_bytes() for path, name in names.items()}) as case:
        case.add_capture(file, "u1-cycles")
        found = Casework(case).overview()
    (line,) = found.captures
    assert line.check_first and "The lead D5" in line.check_first[0]
    assert any(line.check_first[0] in each for each in found.questions)


def test_a_fitting_and_a_rebuilding_are_recorded_once(tmp_path: Path) -> None:
    from wrongbit.demo.readings import write_chip_case

    kiln = write_chip_case(tmp_path / "kiln")
    assert kiln.twin is not None
    with Case.open(kiln.folder) as case:
        case.add_reference(kiln.twin, "twin", "U3")
        for _ in range(2):
            work = Casework(case)
            assert work.fitting("U3").plans
            rebuilt = work.rebuilding("U3")
            work.examination("U3")
        assert [source.kind for source in rebuilt.sources] == ["reading", "twin", "reference"]
        for what in ("fit", "rebuild", "chip"):
            assert len(recorded(case, what)) == 1
        line = next(each for each in work.overview().chips if each.name == "U3")
        assert line.state == "bad" and line.readings == 6
        case.withdraw(case.of_kind(ReadingAdded)[0][0].number, "slipped")
        assert len(Casework(case).examination("U3").readings) == 5
        assert len(recorded(case, "chip")) == 2
