"""The built-in recipes as data: names, what they need, how wide their buses are, what is told of them."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest

from bus.emulated.families import FAMILIES, Family
from wrongbit.bus.recipes import (
    ALIASES,
    builtin_recipe,
    bus_widths,
    family_names,
    needed_signals,
    optional_signals,
    recipe_names,
    resolve_recipe,
)
from wrongbit.errors import MachineFileError
from wrongbit.machine.load import read_machine
from wrongbit.machine.model import Processor
from wrongbit.machine.recipe import Recipe
from wrongbit.machine.recipe_checks import check_recipe

DOCUMENT = Path(__file__).parents[2] / "docs" / "bus-recipes.md"

families = pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.recipe)


def processor(recipe: str | Recipe, word_bits: int = 8, address_bits: int = 16, **more: object) -> Processor:
    return Processor(
        name="U1",
        word_bits=word_bits,
        address_bits=address_bits,
        recipe=recipe,
        **more,  # type: ignore[arg-type]
    )


def own(**recipe: object) -> Recipe:
    return Recipe.model_validate(recipe)


class TestNames:
    def test_the_promised_families_are_there(self) -> None:
        promised = {"6502", "6800", "6809", "z80", "8080", "8085", "8086", "8088", "68000"}
        assert promised <= set(family_names()) <= set(recipe_names())

    @pytest.mark.parametrize("alias", ALIASES)
    def test_an_alias_is_the_same_recipe(self, alias: str) -> None:
        assert alias in recipe_names() and alias not in family_names()
        assert builtin_recipe(alias) == builtin_recipe(ALIASES[alias])

    def test_none_has_a_bank(self) -> None:
        """What a machine file's overview says of banks and samples rests on this."""
        assert not any(builtin_recipe(name).bank for name in recipe_names())

    def test_capitals_and_blanks_do_not_matter(self) -> None:
        assert builtin_recipe(" Z80 ") == builtin_recipe("z80")
        assert builtin_recipe("8086-MAXIMUM") == builtin_recipe("8086-maximum")

    def test_an_unknown_name_is_told_with_the_nearest(self) -> None:
        with pytest.raises(MachineFileError) as caught:
            builtin_recipe("68k00")
        assert "'68k00'" in caught.value.message and "z80" in caught.value.message
        assert "Did you mean '6800" in caught.value.remedy
        assert caught.value.key == "processor.recipe"

    @pytest.mark.parametrize("name", ["", "../recipes", "families/z80", "z80.toml"])
    def test_a_name_is_never_a_path(self, name: str) -> None:
        with pytest.raises(MachineFileError):
            builtin_recipe(name)

    def test_a_processors_own_recipe_is_itself(self) -> None:
        recipe = own(transfer=[{"kind": "read", "at": "RD ends"}])
        assert resolve_recipe(processor(recipe)) is recipe
        assert resolve_recipe(processor("z80")) == builtin_recipe("z80")


@families
class TestEach:
    def test_it_passes_the_checks_of_an_own_recipe(self, family: Family) -> None:
        recipe = builtin_recipe(family.recipe)
        device = processor(recipe, family.word_bits, family.address_bits)
        assert list(check_recipe(("recipe",), recipe, device)) == []

    def test_its_file_can_be_copied_into_a_machine_file(self, family: Family) -> None:
        text = (files("wrongbit.bus") / "families" / f"{family.recipe}.toml").read_text(encoding="utf-8")
        copied = re.sub(r"^\[\[(\w+)\]\]$", r"[[processor.recipe.\1]]", text, flags=re.MULTILINE)
        machine = read_machine(
            f"""
            [machine]
            name = "Copy"
            [[processor]]
            name = "U1"
            word_bits = {family.word_bits}
            address_bits = {family.address_bits}
            [processor.recipe]
            """
            + copied
        )
        assert machine.processor[0].recipe == builtin_recipe(family.recipe)

    def test_its_source_names_a_document_and_what_is_from_memory(self, family: Family) -> None:
        source = builtin_recipe(family.recipe).source
        assert re.search(r"data sheet|User Manual|User's Manual", source)
        assert family.recipe == "z80" or re.search(r"from memory", source, re.IGNORECASE)

    def test_every_signal_is_needed_or_optional(self, family: Family) -> None:
        recipe = builtin_recipe(family.recipe)
        needed, optional = needed_signals(recipe), optional_signals(recipe)
        assert not set(needed) & set(optional)
        assert set(optional) == set(recipe.optional)
        assert set(bus_widths(processor(recipe))) == {*needed, *optional}
        assert {*needed, *optional} <= set(family.wires.widths)

    def test_its_buses_are_as_wide_as_drawn(self, family: Family) -> None:
        widths = bus_widths(processor(family.recipe, family.word_bits, family.address_bits))
        for name, width in widths.items():
            drawn = family.wires.widths[name] + family.wires.lowest.get(name, 0)
            assert width == drawn, name


class TestBusWidths:
    """Widths counted by hand."""

    def test_renamed_signals_come_by_the_machines_name(self) -> None:
        renamed = processor("6502", signals={"A": "ADDR", "PHI2": "O2", "RW": "R//W", "SYNC": "/SYNC"})
        assert dict(bus_widths(renamed)) == {"O2": 1, "RW": 1, "RDY": 1, "ADDR": 16, "D": 8, "SYNC": 1}

    def test_one_port_carries_low_address_and_data_another_the_rest(self) -> None:
        """8051 style: P0 multiplexed, P2 the high byte; both names end in a digit."""
        recipe = own(
            latch=[{"name": "LOW", "bus": "P0", "at": "ALE ends"}],
            transfer=[{"kind": "fetch", "at": "PSEN ends", "address": ["LOW", "P2"], "data": "P0"}],
        )
        assert dict(bus_widths(processor(recipe))) == {"ALE": 1, "P0": 8, "PSEN": 1, "P2": 8}

    def test_a_word_addressed_multiplexed_bus(self) -> None:
        recipe = own(
            latch=[{"name": "ADDRESS", "bus": "AD", "at": "AS ends"}],
            transfer=[{"kind": "read", "at": "DS ends", "address": "ADDRESS", "data": "AD"}],
            bank=["BK0", "BK1"],
        )
        widths = bus_widths(processor(recipe, 16, 16))
        assert dict(widths) == {"AS": 1, "AD": 16, "DS": 1, "BK0": 1, "BK1": 1}

    def test_address_wider_than_the_multiplexed_bus(self) -> None:
        recipe = own(
            latch=[{"name": "ADDRESS", "bus": ["AD", "SEG"], "at": "AS ends"}],
            transfer=[{"kind": "read", "at": "DS ends", "address": "ADDRESS", "data": "AD"}],
        )
        assert dict(bus_widths(processor(recipe, 16, 23))) == {"AS": 1, "AD": 16, "SEG": 7, "DS": 1}

    def test_single_wires_beside_a_bus(self) -> None:
        recipe = own(transfer=[{"kind": "read", "at": "RD ends", "address": ["A", "X16", "X17"]}])
        assert dict(bus_widths(processor(recipe, 8, 18))) == {"RD": 1, "A": 16, "X16": 1, "X17": 1, "D": 8}

    def test_a_bus_is_as_wide_as_its_highest_named_wire(self) -> None:
        recipe = own(
            transfer=[
                {
                    "kind": "read",
                    "at": "S ends",
                    "where": ["ST.5", "!ST.2"],
                    "address": "A.8..19",
                    "data": "D.0..7",
                }
            ],
            bank="MAP.4..6",
        )
        assert dict(bus_widths(processor(recipe, 8, 12))) == {"S": 1, "ST": 6, "A": 20, "D": 8, "MAP": 7}

    def test_terms_on_the_address_do_not_narrow_it(self) -> None:
        recipe = own(transfer=[{"kind": "read", "at": "RD ends", "where": "!A.3"}])
        assert bus_widths(processor(recipe))["A"] == 16

    def test_a_lowest_wire_that_is_not_0(self) -> None:
        recipe = own(address_shift=1, transfer=[{"kind": "read", "at": "S ends"}])
        assert bus_widths(processor(recipe, 16, 24))["A"] == 23

    def test_joined_strobes_are_signals_of_their_own(self) -> None:
        recipe = own(transfer=[{"kind": "read", "at": "UDS|LDS ends"}])
        assert needed_signals(recipe) == ("UDS", "LDS", "A", "D")


def table_rows() -> dict[str, str]:
    """The rows of the document's table for each family, joined."""
    rows: dict[str, str] = {}
    name = ""
    for line in DOCUMENT.read_text(encoding="utf-8").splitlines():
        if line.startswith("|"):
            name = line.split("|")[1].strip().strip("`") or name
            rows[name] = rows.get(name, "") + line
    return rows


class TestDocument:
    """``docs/bus-recipes.md`` cannot drift from the recipes."""

    @families
    def test_every_family_with_its_signals(self, family: Family) -> None:
        text = table_rows()[family.recipe]
        recipe = builtin_recipe(family.recipe)
        signals = {*needed_signals(recipe), *optional_signals(recipe)}
        aliases = {alias for alias, name in ALIASES.items() if name == family.recipe}
        assert set(re.findall(r"`([^`]+)`", text)) == {family.recipe, *signals, *aliases}

    def test_every_example_is_a_recipe(self) -> None:
        examples = re.findall(r"```toml\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)
        assert examples
        for example in examples:
            head = '[machine]\nname = "M"\n[[processor]]\nname = "U1"\nword_bits = 8\naddress_bits = 16\n'
            assert isinstance(read_machine(head + example).processor[0].recipe, Recipe)
