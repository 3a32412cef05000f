"""What was done to the object: what goes together, dates as far as known, the order, the old part."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pytest

from wrongbit.bus.recipes import recipe_names
from wrongbit.case.entries import Entry, WorkDone
from wrongbit.casework.work_done import (
    WORK_KINDS,
    action_text,
    check_work,
    corrected,
    in_time_order,
    refuse_known,
    say_work,
    unaccounted,
    workers,
)
from wrongbit.demo.machines import machine_named
from wrongbit.errors import UsageError, WrongbitError
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Machine

TODAY = date(2026, 3, 4)


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Machine:
    path = tmp_path_factory.mktemp("kiln") / "machine.toml"
    path.write_bytes(machine_named("quarrybank").build().files["quarrybank.toml"])
    return load_machine(path, require_files=False, recipe_names=recipe_names())


def work(kind: str = "removed", part: str = "U3", date: str = "", **more: str) -> WorkDone:
    return WorkDone(kind, part, date, **more)


def entry(number: int, made: WorkDone, by: str = "ada", withdrawn_by: int | None = None) -> Entry:
    return Entry(number, datetime(2026, 3, 1, tzinfo=UTC), by, "1", made, withdrawn_by)


@pytest.mark.parametrize("given", ["2026-03-04", "2026-03", "2026", "1987-05-31", "2024-02-29"])
def test_dates_as_far_as_known(machine: Machine, given: str) -> None:
    """ISO 8601: calendar dates, also of reduced precision."""
    assert check_work(machine, work(date=given), TODAY)[0].date == given


def test_without_a_date_it_was_today(machine: Machine) -> None:
    assert check_work(machine, work(), TODAY)[0].date == "2026-03-04"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"date": "2026-03-05"}, "not come yet"),
        ({"date": "2026-04"}, "not come yet"),
        ({"date": "2027"}, "not come yet"),
        ({"date": "2025-02-29"}, "no day '2025-02-29'"),
        ({"date": "2025-13"}, "no day '2025-13'"),
        ({"date": "0000"}, "no day '0000'"),
        ({"date": "20250229"}, "no date"),
        ({"date": "4.3.2026"}, "no date"),
        ({"date": "2026-03-04T10:00"}, "no date"),
        ({"date": "٢٠٢٦"}, "no date"),
        ({"kind": ""}, "What was done"),
        ({"kind": "replace"}, "Did you mean 'replaced'"),
        ({"part": "  "}, "What was it done to"),
        ({"kind": "other"}, "needs a note"),
        ({"reversible": "perhaps"}, "There are: yes, no, in part"),
        ({"new": "27C64"}, "Nothing went in"),
        ({"kind": "fitted", "old": "2764"}, "Nothing came out"),
        ({"kind": "cleaned", "kept": "bag 4"}, "nothing can be kept at 'bag 4'"),
    ],
)
def test_what_does_not_go_together_is_refused(machine: Machine, given: dict[str, str], said: str) -> None:
    with pytest.raises(WrongbitError) as caught:
        check_work(machine, work(**given), TODAY)
    assert said in str(caught.value) and caught.value.remedy


def test_blanks_and_hyphens(machine: Machine) -> None:
    given = work("socket-changed", " U3 ", note=" turned\n pins ", reversible="in-part", kept="bag 4")
    made, notes = check_work(machine, given, TODAY)
    assert made == WorkDone(
        "socket changed", "U3", "2026-03-04", reversible="in part", kept="bag 4", note="turned pins"
    )
    assert notes == ()


def test_a_part_that_the_machine_file_does_not_name_is_kept_and_told(machine: Machine) -> None:
    made, notes = check_work(machine, work("cleaned", "U33"), TODAY)
    assert made.part == "U33"
    assert notes == ("The machine file names no 'U33'; it is kept as you wrote it. Was U3 meant?",)


def test_an_old_part_that_nobody_keeps_is_asked_for(machine: Machine) -> None:
    assert "What became of" in check_work(machine, work(), TODAY)[1][0]
    kept, lost = entry(1, work(date="2026", kept="bag 4")), entry(2, work("replaced", "C1", "2026"))
    gone = entry(3, work("removed", "C2", "2026"), withdrawn_by=4)
    assert unaccounted([kept, lost, gone, entry(5, work("cleaned", "X1", "2026"))]) == (
        "C1 replaced (entry 2): what became of the old part is not written down.",
    )


def test_the_order_of_time() -> None:
    """By date, a year before its months; of one date as it was written down; without what was withdrawn."""
    dates = ("2026-03-04", "1987-05", "2026-03-04", "1987", "2025-12-31")
    entries = [entry(number, work(date=each)) for number, each in enumerate(dates, 1)]
    entries.append(entry(6, work(date="1900"), withdrawn_by=7))
    assert [each.number for each, _ in in_time_order(entries)] == [4, 2, 5, 1, 3]


def test_who_worked() -> None:
    entries = [entry(1, work(date="2026")), entry(2, work(date="1987", person="Bram"), by="ada")]
    entries.append(entry(3, work(date="2026", person="ada")))
    assert workers(entries) == ("Bram", "ada")


def test_a_correction_keeps_what_is_not_said_and_who_did_it() -> None:
    before = work("replaced", date="2026", old="2764", kept="bag 4")
    given: dict[str, Any] = {"kept": "", "new": "27C64", "person": None, "kind": None}
    assert corrected(entry(1, before, by="bram"), before, given) == work(
        "replaced", date="2026", person="bram", old="2764", new="27C64"
    )


def test_the_same_twice_is_refused() -> None:
    entries = [entry(1, work(date="2026")), entry(2, work("cleaned", date="2026"), withdrawn_by=3)]
    for same, who in ((work(date="2026"), "ada"), (work(date="2026", person="ada"), "bram")):
        with pytest.raises(UsageError, match="Entry 1 says so already"):
            refuse_known(entries, same, who)
    for other in (work(date="2026-03"), work("cleaned", date="2026"), work(date="2026", person="bram")):
        refuse_known(entries, other, "ada")


@pytest.mark.parametrize("kind", WORK_KINDS)
def test_every_kind_in_a_sentence(kind: str) -> None:
    assert "U3" in action_text(work(kind)) and action_text(work(kind))[0].isupper()


def test_a_kind_of_a_newer_version_is_shown_as_it_is() -> None:
    assert say_work(work("weighed", date="2026")) == "2026: U3 weighed."
