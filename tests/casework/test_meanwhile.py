"""What changes while something is computed: a result is of one state of the case, and kept as that one's."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from casework.taken import capture_at
from wrongbit.case.folder import Case
from wrongbit.casework import casework as module
from wrongbit.casework import proving
from wrongbit.casework.casework import Casework
from wrongbit.demo.case import DemoCase


def test_a_capture_that_comes_while_suspects_are_weighed_is_not_in_what_was_asked(
    make: Callable[..., Case], recorder: DemoCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = make("u1-state")
    real = Casework._weigh

    def interrupted(work: Casework, progress: Any) -> Any:
        entry = case.add_capture(capture_at(recorder, "u1-cycles"), "u1-cycles")
        found = real(work, progress)
        case.withdraw(entry.number, "of another machine")
        return found

    monkeypatch.setattr(Casework, "_weigh", interrupted)
    work = Casework(case)
    asked = work.weighing()
    monkeypatch.setattr(Casework, "_weigh", real)
    # Nothing counts now but what counted then, so that what was kept of it is believed.
    for weighing in (asked, work.weighing()):
        assert weighing is not None and weighing.labels == ("u1-state.csv at u1-state",)


def test_a_machine_file_that_changes_while_it_is_read_is_not_taken_for_the_one_before(
    work: Casework, monkeypatch: pytest.MonkeyPatch
) -> None:
    file, real = work.case.machine_file, module.load_machine
    text = file.read_text()
    name = work.machine.machine.name
    fresh = Casework(work.case)

    def changed(path: Path, **options: Any) -> Any:
        file.write_text(text.replace(name, "Another machine"))
        return real(path, **options)

    monkeypatch.setattr(module, "load_machine", changed)
    assert fresh.machine.machine.name == "Another machine"
    monkeypatch.setattr(module, "load_machine", real)
    file.write_text(text)
    assert fresh.machine.machine.name == name


def test_a_wrong_capture_that_comes_while_a_repair_is_proved_is_not_overlooked(
    make: Callable[..., Case], recorder: DemoCase, repaired: DemoCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = make("u1-timing")
    case.add_capture(capture_at(repaired, "u1-timing"), "u1-timing", note="proof")
    real = proving._ladder_lines

    def interrupted(*given: Any) -> Any:
        case.add_capture(capture_at(recorder, "u1-state"), "u1-state")
        return real(*given)

    monkeypatch.setattr(proving, "_ladder_lines", interrupted)
    assert Casework(case).proof().verdict == "proved"  # it was, when it was asked for
    monkeypatch.setattr(proving, "_ladder_lines", real)
    assert Casework(case).overview().proved == ""
    assert Casework(case).proof().verdict == "not covered"


def test_an_image_that_was_marked_as_programmed_by_mistake_counts_when_it_is_added_again(
    make: Callable[..., Case], recorder: DemoCase, tmp_path: Path
) -> None:
    case = make()
    work = Casework(case)
    (case.folder / "bank1.hex").unlink()
    (chip,) = [each for each in recorder.machine.board.chips if each.name == "U13"]
    image = tmp_path / "u13.bin"
    image.write_bytes(bytes(int(word) for word in chip.contents))
    entry = case.add_reference(image, "image", "U13", format="binary", note="programmed")
    assert not _named(work, image)
    case.withdraw(entry.number, "It is what the old chip should hold.")
    case.add_reference(image, "image", "U13", format="binary")
    assert _named(work, image)


def _named(work: Casework, image: Path) -> bool:
    chip = next(each for each in work.machine.chip if each.name == "U13")
    return chip.image is not None and Path(chip.image.file).name == image.name
