"""Every template is a machine that loads, and says of its processor what is published."""

from __future__ import annotations

import tomllib

import pytest

from wrongbit.bus.recipes import needed_signals, recipe_names, resolve_recipe
from wrongbit.errors import UsageError
from wrongbit.machine.load import read_machine
from wrongbit.machine.model import Machine, default_address_lines
from wrongbit.machine.names import parse_signal, split_bus_bit
from wrongbit.machine.recipe import Recipe
from wrongbit.machine.templates import read_template, template_names


def template(name: str) -> Machine:
    return read_machine(read_template(name), file=name, recipe_names=recipe_names())


def test_families() -> None:
    families = {"6502", "6800", "6809", "z80", "8080", "8085", "8086", "8088", "68000"}
    assert set(template_names()) == families | {"own-multiplexed-16-bit"}


@pytest.mark.parametrize("name", template_names())
def test_it_loads_and_is_invented(name: str) -> None:
    machine = template(name)
    assert machine.machine.invented
    assert machine.machine.cautions
    assert {chip.kind for chip in machine.chip} >= {"rom", "ram"}


@pytest.mark.parametrize("name", template_names())
def test_recipe_is_the_family_s(name: str) -> None:
    recipe = template(name).processor[0].recipe
    assert recipe == name or (isinstance(recipe, Recipe) and name.startswith("own"))


@pytest.mark.parametrize("name", template_names())
def test_columns_that_are_mapped_are_signals_of_the_bus(name: str) -> None:
    """Control signals that the recipe cannot do without are all mapped; buses bear their own names."""
    machine = template(name)
    recipe = resolve_recipe(machine.processor[0])
    mapped = {parse_signal(target).base for target in machine.point[0].columns.values()}
    buses = {"A", "D", "AD"}
    assert {parse_signal(each).base for each in needed_signals(recipe)} - buses <= mapped
    assert not any((split_bus_bit(each) or ("",))[0] in buses for each in mapped)


@pytest.mark.parametrize("name", template_names())
def test_it_explains_itself(name: str) -> None:
    text = read_template(name)
    assert text.startswith("# ")
    assert text.count("#") > 15
    assert max(len(line) for line in text.splitlines()) <= 120
    assert tomllib.loads(text)["machine"]["name"] not in {
        tomllib.loads(read_template(other))["machine"]["name"] for other in template_names() if other != name
    }


# Where the first instruction or the reset vector lies. 6502: Rockwell R6500 data sheet, FFFC; 6809: MC6809E
# data sheet, FFFE; 6800: FFFE, from memory, not checked; Z80: Zilog UM0080, 0; 8080, 8085: Intel 231718, 0,
# from memory, not checked; 8086 and 8088: FFFF0, seen as the far jump in a real BIOS image; 68000: M68000
# User's Manual, Table 6-2, vector 0 at 0.
RESET = {
    "6502": 0xFFFC,
    "6800": 0xFFFE,
    "6809": 0xFFFE,
    "z80": 0x0000,
    "8080": 0x0000,
    "8085": 0x0000,
    "8086": 0xFFFF0,
    "8088": 0xFFFF0,
    "68000": 0x000000,
}


@pytest.mark.parametrize(("name", "address"), RESET.items())
def test_a_rom_answers_where_the_processor_starts(name: str, address: int) -> None:
    machine = template(name)
    word = 0
    for chip in machine.chip:
        if chip.kind == "rom" and any(r.base <= address < r.base + r.size for r in chip.region):
            word |= sum(1 << bit for bit in chip.lane)
    assert word == (1 << machine.processor[0].word_bits) - 1


# Widths: 8086 and 8088 twenty address bits, 16 and 8 data bits (Intel 231455); 68000 twenty-four and 16
# (M68000 User's Manual); the others sixteen and 8.
@pytest.mark.parametrize("name", RESET)
def test_widths(name: str) -> None:
    processor = template(name).processor[0]
    expected = {"8086": (16, 20), "8088": (8, 20), "68000": (16, 24)}.get(name, (8, 16))
    assert (processor.word_bits, processor.address_bits) == expected


@pytest.mark.parametrize("name", ["8086", "68000"])
def test_chips_of_a_byte_addressed_16_bit_bus_begin_at_a1(name: str) -> None:
    machine = template(name)
    for chip in machine.chip:
        lines = default_address_lines(chip, machine.processor[0])
        assert lines[0] == 1
        assert 2 << len(lines) == chip.region[0].size


def test_unknown_template_with_a_suggestion() -> None:
    with pytest.raises(UsageError, match="There is no template 'z8o'") as caught:
        read_template("z8o")
    assert "Did you mean 'z80'?" in caught.value.remedy


@pytest.mark.parametrize("name", ["", "../load", "z80.toml"])
def test_a_template_is_not_a_path(name: str) -> None:
    with pytest.raises(UsageError):
        read_template(name)
