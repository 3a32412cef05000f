"""Writing the machine file: nothing is lost, nothing that cannot be used becomes the machine file."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest

from wrongbit.case.entries import MachineSeen
from wrongbit.case.folder import Case
from wrongbit.errors import MachineFileError, UsageError
from wrongbit.machine.templates import read_template
from wrongbit.web.machine_draft import (
    check_text,
    draft_of,
    drop_draft,
    keep_draft,
    problems,
    read_text,
    save_text,
)


@pytest.fixture
def case(tmp_path: Path) -> Iterator[Case]:
    text = (
        '[machine]\nname = "Bench"\n'
        '[[processor]]\nname = "U1"\nword_bits = 8\naddress_bits = 16\nrecipe = "z80"\n'
    )
    with Case.create(tmp_path / "case", {"machine.toml": text}) as opened:
        yield opened


def test_a_saved_text_is_the_machine_file_and_the_old_one_is_kept(case: Case) -> None:
    begun = read_text(case)
    assert not begun.is_draft
    new = begun.text.replace("Bench", "Bench 2")
    save_text(case, new, begun.on_disk)
    assert case.machine_file.read_text() == new
    seen = [detail.file for _, detail in case.of_kind(MachineSeen)]
    assert [case.path_of(each).read_text() for each in seen] == [begun.text, new]
    assert case.verify() == ()


def test_what_cannot_be_used_is_not_written(case: Case) -> None:
    begun = read_text(case)
    wrong = begun.text.replace("word_bits = 8", "word_bits = 800").replace(
        "address_bits = 16", "address_bits = 160"
    )
    with pytest.raises(MachineFileError) as caught:
        save_text(case, wrong, begun.on_disk)
    told = "\n".join(problems(caught.value))
    assert "800" in told and "160" in told and "line 5" in told
    assert case.machine_file.read_text() == begun.text


def test_it_can_be_kept_as_a_draft_and_dropped(case: Case) -> None:
    begun = read_text(case)
    keep_draft(case, "[machine\n")
    again = read_text(case)
    assert (again.text, again.is_draft, again.on_disk) == ("[machine\n", True, begun.on_disk)
    assert case.machine_file.read_text() == begun.text
    drop_draft(case)
    assert read_text(case) == begun
    keep_draft(case, "half a draft")
    now = save_text(case, begun.text + "# columns\n", begun.on_disk, ends_draft=False)
    assert draft_of(case).read_text() == "half a draft"
    save_text(case, begun.text + "\n", now)
    assert not draft_of(case).exists()


def test_another_programs_change_is_not_written_over(case: Case) -> None:
    begun = read_text(case)
    case.machine_file.write_text(begun.text + "# by hand\n")
    with pytest.raises(UsageError, match="another program"):
        save_text(case, begun.text + "# in the browser\n", begun.on_disk)
    assert case.machine_file.read_text().endswith("# by hand\n")


def test_a_missing_image_is_told_before_anything_is_written(case: Case) -> None:
    template = read_template("z80")
    with pytest.raises(MachineFileError):
        check_text(case, template.replace("# image", "image") + '\n[[listing]]\nfile = "none.lst"\n')


def test_two_pages_that_save_at_once_do_not_lose_a_text(case: Case) -> None:
    """One is saved, and the other is told; or the second would write over what nobody has kept."""
    begun = read_text(case)
    start = Barrier(4)

    def save(number: int) -> str:
        text = begun.text.replace("Bench", f"Bench {number}")
        start.wait()
        try:
            save_text(case, text, begun.on_disk)
        except UsageError:
            return ""
        return text

    with ThreadPoolExecutor(4) as threads:
        saved = [text for text in threads.map(save, range(4)) if text]
    assert saved == [case.machine_file.read_text()]
