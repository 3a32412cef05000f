"""The wiring at work: every address, select and jumper setting through the adapter's own parts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from replace.builders import CATALOGUE, latched, requirement
from replace.electrical import Adapter, pin_named, socket_levels
from wrongbit.errors import UsageError
from wrongbit.replace.catalogue import Socket
from wrongbit.replace.circuit import Circuit, Scheme, Wishes, build_circuit, is_drop_in
from wrongbit.replace.requirement import Requirement, selects_of

IDLE = 0xA5
"""What the memory never holds: seen when the outputs are off and the data pins are left alone."""


def circuit_of(need: Requirement, memory: str, scheme: Scheme = "straight", **wishes: Any) -> Circuit:
    return build_circuit(need, CATALOGUE.memory_named(memory), CATALOGUE, scheme, Wishes(**wishes))


def contents(words: int) -> list[int]:
    rng = np.random.default_rng(7)
    return [int(word) if word != IDLE else 0 for word in rng.integers(0, 256, words)]


LEFT_ALONE = {f"D{bit}": IDLE >> bit & 1 for bit in range(8)}
"""Data pins before the outputs come on."""


@pytest.mark.parametrize("scheme", ["straight", "outputs only"])
@pytest.mark.parametrize(
    ("shape", "selects", "memory"),
    [
        ("2332", {"CS1": "low", "CS2": "high"}, "2732A"),
        ("2332", {"CS1": "low", "CS2": "low"}, "27C64"),
        ("2332", {"CS1": "high", "CS2": "unused"}, "28C64"),
        ("2316", {"CS1": "low", "CS2": "high", "CS3": "low"}, "2716"),
        ("2316", {"CS1": "high", "CS2": "high", "CS3": "high"}, "28C16"),
        ("2364", {"CS1": "low"}, "27128"),
    ],
)
def test_only_the_right_selects_switch_the_outputs_on(
    shape: str, selects: dict[str, str], memory: str, scheme: Scheme
) -> None:
    need = requirement(shape, selects)
    circuit = circuit_of(need, memory, scheme)
    words = contents(CATALOGUE.memory_named(memory).words)
    adapter = Adapter(circuit, [words])
    names = [select.pin for select in need.selects]
    for pattern in range(1 << len(names)):
        levels = {pin_named(circuit, name): pattern >> place & 1 for place, name in enumerate(names)}
        chosen = all(
            levels[pin_named(circuit, select.pin)] == (select.active == "high") for select in need.selects
        )
        adapter.drive(socket_levels(circuit, 0x2A5) | levels)
        adapter.drive(LEFT_ALONE)
        assert adapter.data() == (words[0x2A5] if chosen else IDLE)


@pytest.mark.parametrize("latch", ["373", "573"])
@pytest.mark.parametrize("closes", ["falling", "rising"])
def test_a_latched_address_survives_the_data(latch: str, closes: str) -> None:
    circuit = circuit_of(latched(closes=closes), "27C512", latch=latch)
    words = contents(65536)
    adapter = Adapter(circuit, [words])
    open_level = 1 if closes == "falling" else 0
    for address in (0x0000, 0xFFFF, 0x5AC3, 0x8001):
        adapter.drive(socket_levels(circuit, address) | {"ALE": open_level, "/CE": 1, "/RD": 1})
        adapter.drive({"ALE": 1 - open_level})
        adapter.drive(socket_levels(circuit, 0x1234))  # something else on the lines
        adapter.drive({"/CE": 0, "/RD": 0})
        assert adapter.data() == words[address]


@pytest.mark.parametrize("buffer", ["245", "244", "240"])
def test_a_buffer_passes_the_word_on(buffer: str) -> None:
    need = requirement("2332", {"CS1": "low", "CS2": "high"})
    circuit = circuit_of(need, "2732A", buffer=buffer)
    words = contents(4096)
    adapter = Adapter(circuit, [words])
    adapter.drive(socket_levels(circuit, 0xABC) | {"CS1": 0, "CS2": 1})
    assert adapter.data() == words[0xABC] ^ (0xFF if buffer == "240" else 0)


def test_24_pin_mask_rom_and_2732_are_not_drop_in() -> None:
    """A11 is pin 18 of a 2332 and pin 21 of a 2732 (TI TMS2732A data sheet)."""
    need = requirement("2332", {"CS1": "low", "CS2": "low"})
    circuit = circuit_of(need, "2732A")
    assert not is_drop_in(circuit)
    net = next(net for net in circuit.nets if net.name == "A11")
    assert [(t.ref, t.pin) for t in net.terminals] == [("P1", 18), ("IC1", 21)]


def test_an_eprom_of_the_mask_rom_layout_is_drop_in_where_pin_21_is_free() -> None:
    """The 2532 has A11 on pin 18; its pin 21 is VPP and must be at +5 V (from memory)."""
    assert not is_drop_in(circuit_of(requirement("2332", {"CS1": "low", "CS2": "unused"}), "2532"))
    assert is_drop_in(circuit_of(requirement("2532"), "2532"))
    assert is_drop_in(circuit_of(requirement("27256"), "27C256"))


def test_28c256_in_a_27256_socket_needs_two_pins_moved() -> None:
    """Atmel 0006H: A14 on pin 1, write enable on pin 27, which must be at VCC."""
    circuit = circuit_of(requirement("27256"), "28C256")
    a14 = next(net for net in circuit.nets if net.name == "A14")
    assert [(t.ref, t.pin) for t in a14.terminals] == [("P1", 27), ("IC1", 1)]
    supply = circuit.net_at("IC1", 27)
    assert supply is not None
    assert supply.name == "VCC"
    assert circuit.net_at("P1", 1) is None  # VPP of the board reaches nothing
    assert not is_drop_in(circuit)


@pytest.mark.parametrize("row", CATALOGUE.memory, ids=lambda row: row.name)
def test_no_input_of_any_memory_is_left_open(row: Any) -> None:
    pins = " ".join(
        ["NC VCC GND /CE /OE", *(f"D{b}" for b in range(row.bits)), *(f"A{n}" for n in range(8)), "NC"]
    )
    pins += " NC" * (len(pins.split()) % 2)
    socket = Socket(name="x", words=256, bits=row.bits, pins=tuple(pins.split()), status="given", source="x")
    need = Requirement("U1", 256, row.bits, socket, selects_of(socket, {}))
    circuit = build_circuit(need, row, CATALOGUE)
    memory = circuit.of_part("memory")[0]
    for pin, name in enumerate(memory.pins, 1):
        net = circuit.net_at(memory.ref, pin)
        if name in ("NC", "RDY"):
            assert net is None
        else:
            assert net is not None, name
            if name in ("/WE", "/PGM", "VPP"):
                assert net.name == "VCC"


def test_two_narrow_memories_stand_for_a_wide_one() -> None:
    need = requirement("27C1024")
    circuit = circuit_of(need, "27C512")
    low, high = contents(65536), contents(65536)[::-1]
    adapter = Adapter(circuit, [low, high])
    adapter.drive(socket_levels(circuit, 0x1357) | {"/CE": 0, "/OE": 0})
    assert adapter.data() == low[0x1357] | high[0x1357] << 8


def test_what_cannot_be_wired_is_refused() -> None:
    with pytest.raises(UsageError, match=r"2716 has 2048 words.*4096.*larger"):
        circuit_of(requirement("2332", {"CS1": "low", "CS2": "low"}), "2716")
    with pytest.raises(UsageError, match=r"4 × 4096 need 16384"):
        circuit_of(requirement("2332", {"CS1": "low", "CS2": "low"}, images=4), "27C64")
    with pytest.raises(UsageError, match=r"address wires are 0, 0"):
        circuit_of(requirement("27256"), "27C256", address_wires=(0,) * 15)


def test_more_selects_than_a_decoder_joins_are_refused() -> None:
    pins = "A0 D0 /CS1 /CS2 /CS3 /CS4 /CS5 /CS6 VCC GND"
    socket = Socket(name="x", words=2, bits=1, pins=tuple(pins.split()), status="given", source="x")
    need = Requirement("U1", 2, 1, socket, selects_of(socket, {}))
    with pytest.raises(UsageError, match=r"6 selects are more than one decoder can join"):
        circuit_of(need, "2716")
