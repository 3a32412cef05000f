"""Failure rates beforehand: the handbook's shape, and what a bench would call credible.

The handbook is MIL-HDBK-217F with notices 1 and 2; its numbers here are from memory, as in the module itself.
What is said of boards of some decades is common practice, no source.
"""

from __future__ import annotations

from math import exp

import pytest

from diagnose.boards import loaded
from wrongbit.diagnose.rates import CONTACT, chip_rate, package, part_rate
from wrongbit.diagnose.suspects import INSIDE, inside_shares, weigh_suspects
from wrongbit.machine.model import Chip, Part

REGION = {"base": 0, "size": 8192}


def chip(kind: str, technology: str | None = None, words: int = 8192) -> Chip:
    return Chip.model_validate(
        {
            "name": "U1",
            "kind": kind,
            "technology": technology,
            "words": words,
            "bits": 8,
            "region": [REGION],
            "lane": tuple(range(8)),
        }
    )


def test_a_mask_rom_of_64_kilobits_by_the_handbook() -> None:
    """(0.0013 x 0.61 + 2 C2) x 10, with C2 of a plastic package of 25 pins in use: 0.0116."""
    assert package(25) == pytest.approx(3.6e-4 * 25**1.08)
    assert chip_rate(chip("rom", "mask")) == pytest.approx((0.0013 * 0.61 + 2 * 0.0116) * 10, rel=0.01)


def test_a_socket_by_the_handbook_is_much_better_than_its_contacts_after_decades() -> None:
    """New, with 28 contacts: 0.00064 x exp(2.7^0.51) x 3 = 0.010."""
    new = 0.00064 * exp(2.7**0.51064) * 3
    aged = part_rate(Part(name="X1", kind="socket", pins=28), 28)
    assert new == pytest.approx(0.010, abs=0.001)
    assert 20 < aged / new < 30


def test_a_socket_is_level_with_the_mask_rom_in_it_and_at_half_of_an_eprom() -> None:
    socket = part_rate(Part(name="X1", kind="socket", pins=28), 28)
    assert socket == pytest.approx(chip_rate(chip("rom", "mask")), rel=0.1)
    assert socket == pytest.approx(chip_rate(chip("rom", "eprom")) / 2, rel=0.1)
    assert chip_rate(chip("rom", "mask")) < chip_rate(chip("rom")) < chip_rate(chip("rom", "eprom"))


def test_contacts_count_by_their_number() -> None:
    few, many = (part_rate(Part(name="J1", kind="connector", pins=pins), 8) for pins in (20, 60))
    assert many == pytest.approx(3 * few)
    assert part_rate(Part(name="J1", kind="connector"), 8) == pytest.approx(8 * CONTACT["connector"])


@pytest.mark.parametrize("name", ["fellgate", "quarrybank"])
def test_no_board_with_eproms_is_all_sockets_beforehand(name: str) -> None:
    """Two EPROMs in sockets: each of them above its socket, and neither below one in ten."""
    on = loaded(name)
    before = {each.part: each.prior for each in weigh_suspects(on.structure, []).suspects()}
    roms = [each.name for each in on.structure.machine.chip if each.kind == "rom"]
    sockets = [each.name for each in on.structure.machine.part if each.kind == "socket"]
    assert len(roms) == len(sockets) == 2
    assert min(before[each] for each in roms) > max(before[each] for each in sockets)
    assert min(before[each] for each in roms) > 0.10
    assert min(before[each] for each in sockets) > 0.05
    assert sum(before.values()) == pytest.approx(1)


def test_shares_within_a_chip_are_those_of_its_rate() -> None:
    assert sum(INSIDE.values()) == pytest.approx(1)
    for each in (chip("rom", "mask"), chip("rom", "eprom"), chip("ram")):
        assert sum(inside_shares(each).values()) == pytest.approx(1)
    assert inside_shares(chip("rom", "mask")) == INSIDE
    # Half of an EPROM's failures are lost charge, besides those that it shares with every ROM.
    assert inside_shares(chip("rom", "eprom"))["lost charge"] == pytest.approx(0.5 + 0.10 / 2)
