"""Which words a waiver is about, where banks and processors make an address mean several things."""

from __future__ import annotations

from pathlib import Path

import pytest

import wrongbit.demo
from wrongbit.bus.recipes import recipe_names
from wrongbit.case.entries import WordsWaived
from wrongbit.casework.proof import Proof, ProofLine, Uncovered
from wrongbit.casework.waivers import say_waiver, waiver_of
from wrongbit.errors import UsageError
from wrongbit.machine.load import load_machine
from wrongbit.machine.model import Machine

WHY = "Only the program gone astray reads it."


def machine(name: str) -> Machine:
    file = Path(wrongbit.demo.__file__).parent / name / f"{name}.toml"
    return load_machine(file, recipe_names=recipe_names(), require_files=False)


def proof(*open_: tuple[str, int, int], looked_at: tuple[str, ...] = ("U1", "U2")) -> Proof:
    """A proof with words open: processor, bank, address."""
    words = tuple(Uncovered(name, bank, address, 0xFF, "") for name, bank, address in open_)
    bar = ProofLine("capture", "words read by U1", "", "", "not covered", "")
    return Proof("machine", (bar,), words, "not covered", "", captures_after=(2,), looked_at=looked_at)


def test_an_address_that_is_open_in_two_banks_must_say_in_which() -> None:
    recorder = machine("saltmarsh")
    both = proof(("U1", 0, 0x40), ("U1", 1, 0x40), ("U1", 1, 0x41))
    with pytest.raises(UsageError, match="in bank 0 and on the bus of U1 in bank 1") as caught:
        waiver_of(recorder, both, "0040", WHY)
    assert "2:1F3A" in caught.value.remedy
    assert waiver_of(recorder, both, "1:0040..0041", WHY) == WordsWaived("U1", 1, (0x40, 0x41), WHY)
    assert waiver_of(recorder, both, "41", WHY) == WordsWaived("U1", 1, (0x41,), WHY)
    assert waiver_of(recorder, both, "1:0o101", WHY).addresses == (0o101,)
    with pytest.raises(UsageError, match="No word that was wrong is open at 2:0040"):
        waiver_of(recorder, both, "2:0040", WHY)


def test_an_address_on_two_buses_must_say_on_which() -> None:
    panel = machine("hollowmere")
    both = proof(("U1", 0, 0x10), ("U2", 0, 0x10), ("U2", 0, 0x12))
    with pytest.raises(UsageError, match="on the bus of U1 and on the bus of U2"):
        waiver_of(panel, both, "0010..0012", WHY)
    assert waiver_of(panel, both, "0010..0012", WHY, "U2").addresses == (0x10, 0x12)
    with pytest.raises(UsageError, match="No fresh capture looks at the bus of U2"):
        waiver_of(panel, proof(("U1", 0, 0x10), ("U2", 0, 0x10), looked_at=("U1",)), "0010", WHY, "U2")


def test_a_waiver_is_told_with_its_reason_and_as_no_proof() -> None:
    said = say_waiver(WordsWaived("U2", 0, (0x10, 0x12), "Never read"))
    assert said == "Waived, not proved: 2 words read by U2, 0x0010 to 0x0012. Never read."
