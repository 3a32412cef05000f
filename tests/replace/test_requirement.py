"""Requirements from Python, from files and from machine files; each mistake met with its remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

import wrongbit.demo
from replace.builders import CATALOGUE, latched, requirement
from wrongbit.bus.recipes import recipe_names
from wrongbit.errors import InputError, UsageError
from wrongbit.machine.load import load_machine, read_machine
from wrongbit.machine.model import Machine
from wrongbit.replace.buses import processor_times
from wrongbit.replace.fit import fit
from wrongbit.replace.requirement import LatchNeed, Requirement, Select, pin_use, selects_of
from wrongbit.replace.requirement_file import chip_requirement, load_requirement

FILES = Path(__file__).parent / "files"


@pytest.mark.parametrize(
    ("name", "address", "data", "signal", "supply", "idle"),
    [
        ("A12", 12, None, None, None, False),
        ("Q3", None, 3, None, None, False),
        ("AD5", 5, 5, None, None, False),
        ("A9+D1", 9, 1, None, None, False),
        ("CS2", None, None, "CS2", None, False),
        ("/OE", None, None, "OE", None, False),
        ("+5V", None, None, None, "VCC", False),
        ("VSS", None, None, None, "GND", False),
        ("VBB", None, None, None, None, True),
        ("-5V", None, None, None, None, True),
        ("/PGM", None, None, None, None, True),
        ("NC", None, None, None, None, True),
    ],
)
def test_what_a_pin_carries(
    name: str, address: int | None, data: int | None, signal: str | None, supply: str | None, idle: bool
) -> None:
    use = pin_use(name)
    assert (use.address, use.data, use.signal, use.supply, use.idle) == (address, data, signal, supply, idle)


MANUAL = (Path(__file__).parents[2] / "docs" / "machine-file.md").read_text("utf-8")
MANUALS_OWN = MANUAL.partition("```toml\n")[2].partition("```")[0]
"""The manual's whole example: U7 is a 2732 whose pins are named in part."""


def test_the_manuals_example_gives_a_requirement() -> None:
    """Its pins, each read off TI's TMS2732A data sheet, August 1983: what it leaves out is completed."""
    need = chip_requirement(read_machine(MANUALS_OWN), "U7", CATALOGUE)
    pins = "A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7 /CE A10 /OE A11 A9 A8 VCC"
    names = [name.split("+")[0] for name in need.socket.pins]
    assert [pin_use(name) for name in names] == [pin_use(name) for name in pins.split()]
    assert "names 9 pins of U7; the others are taken as those of the 2732A" in need.times.notes[0]
    assert fit(need).plans


@pytest.mark.parametrize(
    ("old", "new", "says", "remedy"),
    [
        ('type = "2732"', 'type = "house 7"', "leave out A0.*VCC, GND", "--shape 2764"),
        ("D0 = 9", "D0 = 14", "pin 14 is D0 there, D4 on a 2732A", "--shape 2732A"),
        ('"/CE" = 18', '"/CE" = 26', "pin 26 is /CE there, while a 2732A has 24 pins", "Correct the pin"),
    ],
)
def test_pins_that_cannot_be_completed_name_the_remedy(old: str, new: str, says: str, remedy: str) -> None:
    text = MANUALS_OWN.replace("D4 = 14, ", "") if "D0" in old else MANUALS_OWN
    machine = read_machine(text.replace(old, new))
    with pytest.raises(UsageError, match=says) as caught:
        chip_requirement(machine, "U7", CATALOGUE)
    assert remedy in caught.value.remedy


def test_names_tell_levels_and_read_strobes() -> None:
    assert selects_of(CATALOGUE.socket_named("27256"), {}) == (
        Select("CE", "low", "chip"),
        Select("OE", "low", "output"),
    )


def test_mask_options_must_be_stated() -> None:
    with pytest.raises(UsageError, match=r"CS1, CS2 of the 2332.*not stated") as caught:
        selects_of(CATALOGUE.socket_named("2332"), {})
    assert 'selects = { CS1 = "low", CS2 = "low" }' in caught.value.remedy
    assert selects_of(CATALOGUE.socket_named("2332"), {"/CS1": "high", "CS2": "unused"}) == (
        Select("CS1", "high"),
    )


def test_the_latch_signal_selects_only_when_its_name_says_so() -> None:
    assert not latched().latch_selects
    assert {select.pin for select in latched().selects} == {"CE", "RD"}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"words": 65536}, r"no pin for A15; 65536 words"),
        ({"bits": 9}, "no pin for D8"),
        ({"words": 1}, "words is 1"),
        ({"images": 0}, "images is 0"),
        ({"supply_volts": 3.3}, "3.3 V"),
        ({"latch": LatchNeed("ALE", "falling")}, "no select or latch pin 'ALE'"),
        ({"latch": LatchNeed("CE", "falling", (20,))}, "hold A20"),
        ({"latch": LatchNeed("CE", "falling", ())}, "hold no line"),
    ],
)
def test_an_impossible_requirement_is_refused(changes: dict[str, object], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        requirement("27256", **changes)


# -- files -------------------------------------------------------------------------------------------------


def test_a_mask_rom_on_a_6502() -> None:
    need = load_requirement(FILES / "mask_rom.toml", CATALOGUE)
    assert need.designator == "U12"
    assert need.words == 4096
    assert need.selects == (Select("CS1", "low", "output"), Select("CS2", "high", "chip"))
    assert need.times.ps("address_to_data") == 675_000
    assert need.driver == "NMOS"


def test_a_latched_rom_with_own_pins_and_own_times() -> None:
    need = load_requirement(FILES / "latched_rom.toml", CATALOGUE)
    assert need.latch == LatchNeed("ALE", "falling", tuple(range(8)))
    assert need.latched_lines == tuple(range(8))
    assert need.shares_pins
    assert need.times.ps("float_time") == 70_000
    assert need.times.ps("address_to_data") == 350_000


@pytest.mark.parametrize(
    ("name", "said", "remedy"),
    [
        ("missing.toml", "there is no such file", "Check the name"),
        ("not_toml.toml", "is not TOML", "Correct"),
        ("unknown_key.toml", "no key 'shap' here", "Did you mean 'shape'"),
        ("no_unit.toml", "has no unit", "'450 ns'"),
        ("no_clock.toml", "without its clock", "clock ="),
        ("two_shapes.toml", "and not both", "shape ="),
        ("mask_options.toml", "CS1, CS2 of the 2332", "selects ="),
        ("odd_pins.toml", "even number of pins; 3 pins", "Complete"),
        ("unknown_shape.toml", "no chip shape '2333'", "Did you mean"),
        ("no_designator.toml", "the key is missing", "docs/replacement.md"),
    ],
)
def test_a_bad_file_is_refused(name: str, said: str, remedy: str) -> None:
    with pytest.raises(InputError) as caught:
        load_requirement(FILES / name, CATALOGUE)
    assert said in caught.value.message
    assert remedy in caught.value.remedy
    assert caught.value.file is not None
    assert name in caught.value.file


# -- machine files -----------------------------------------------------------------------------------------


def machine(**chip: object) -> Machine:
    base = {
        "name": "U7", "kind": "rom", "words": 4096, "bits": 8, "lane": "0..7",
        "region": [{"base": 0, "size": 4096}], "type": "2332", "access_time": "450 ns",
    }  # fmt: skip
    return Machine.model_validate(
        {
            "machine": {"name": "Fellgate loom controller"},
            "processor": [{"name": "U1", "word_bits": 8, "address_bits": 16, "recipe": "6502"}],
            "chip": [base | chip],
        }
    )


def test_a_chip_of_a_machine_file_by_its_type() -> None:
    need = chip_requirement(machine(), "U7", CATALOGUE, selects={"CS1": "low", "CS2": "low"}, loads=2)
    assert need.machine == "Fellgate loom controller"
    assert need.times.ps("address_to_data") == 450_000
    assert need.loads == 2


@pytest.mark.parametrize(
    ("recipe", "sheet"), [("6800", "6800"), ("68000", "68000"), ("8085", "8085AH"), ("z80", "Z80")]
)
def test_a_recipe_finds_its_own_processors_data_sheet(recipe: str, sheet: str) -> None:
    """ "6800" begins the name of the 68000 too, whose sheet must never be taken for it."""
    described = machine()
    processor = described.processor[0].model_copy(update={"recipe": recipe, "clock": "1 MHz"})
    described = described.model_copy(update={"processor": (processor,)})
    need = chip_requirement(described, "U7", CATALOGUE, selects={"CS1": "low", "CS2": "low"})
    own = processor_times(CATALOGUE, sheet, "1 MHz")
    assert own.notes[0] in need.times.notes


def test_a_chip_of_a_machine_file_by_its_pins() -> None:
    pins = {f"A{n}": n + 1 for n in range(3)} | {"D0": 5, "/CE": 6, "VCC": 8, "GND": 4}
    need = chip_requirement(machine(pins=pins, words=8, bits=1, lane="0", type=""), "U7", CATALOGUE)
    assert need.socket.pins == ("A0", "A1", "A2", "GND", "D0", "/CE", "NC", "VCC")
    assert need.selects == (Select("CE", "low"),)


def test_a_chip_that_latches_must_say_how() -> None:
    with pytest.raises(UsageError, match=r"latches its address.*not stated") as caught:
        chip_requirement(machine(latches_address=True), "U7", CATALOGUE)
    assert "CS1" in caught.value.remedy  # the 2332's own pins, not those of another chip


GATED = {f"A{n}": n + 1 for n in range(3)} | {"D0": 5, "/SEL": 6, "/GET": 7, "VCC": 8, "GND": 4}
"""An invented chip with a select and, apart from it, a pin that switches its outputs on."""


def test_a_machine_file_says_which_pins_are_read_strobes() -> None:
    chip = {"pins": GATED, "words": 8, "bits": 1, "lane": "0", "type": ""}
    levels = {"GET": "low", "SEL": "low"}
    plain = chip_requirement(machine(**chip), "U7", CATALOGUE, selects=levels)
    assert [each.role for each in plain.selects] == ["chip", "chip"]
    stated = chip_requirement(machine(**chip, read_strobes=["/GET"]), "U7", CATALOGUE, selects=levels)
    assert {each.pin: each.role for each in stated.selects} == {"SEL": "chip", "GET": "output"}
    with pytest.raises(UsageError, match="no pin 'PUT'"):
        chip_requirement(machine(**chip, read_strobes=["/PUT"]), "U7", CATALOGUE, selects=levels)


def test_the_read_strobe_of_an_own_bus_recipe_is_one_at_the_chip() -> None:
    """The tide recorder's processor takes its data when /GET ends; its ROMs have a pin of that name."""
    file = Path(wrongbit.demo.__file__).parent / "saltmarsh" / "saltmarsh.toml"
    recorder = load_machine(file, recipe_names=recipe_names(), require_files=False)
    need = chip_requirement(recorder, "U11", CATALOGUE, latch=LatchNeed("LAD", "falling"))
    assert {each.pin: each.role for each in need.selects} == {"SEL": "chip", "GET": "output"}


def test_a_chip_without_pins_or_a_known_type_is_refused() -> None:
    with pytest.raises(UsageError, match="gives no pins for U7, and there is no chip shape 'special'"):
        chip_requirement(machine(type="special"), "U7", CATALOGUE)
    with pytest.raises(UsageError, match=r"neither pins nor type of U7\..*--shape 2764"):
        chip_requirement(machine(type=""), "U7", CATALOGUE)
    with pytest.raises(UsageError, match=r"no chip 'U8'.*Its chips are: U7"):
        chip_requirement(machine(), "U8", CATALOGUE)


def test_a_requirement_is_frozen() -> None:
    need = requirement("27256")
    assert isinstance(need, Requirement)
    with pytest.raises(AttributeError):
        need.words = 1  # type: ignore[misc]
