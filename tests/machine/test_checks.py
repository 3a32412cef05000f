"""Checks of entries against each other: each with a file that breaks it and a near one that does not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from wrongbit.errors import MachineFileError
from wrongbit.machine.load import load_machine, read_machine

ABOUT = '[machine]\nname = "Nettlecombe weaving counter"\n'


def processor(name: str = "U1", **keys: Any) -> str:
    given = {"word_bits": 16, "address_bits": 16, "recipe": '"z80"'} | keys
    return f'[[processor]]\nname = "{name}"\n' + "".join(f"{key} = {value}\n" for key, value in given.items())


def chip(name: str = "U7", regions: str = "[{base = 0, size = 0x2000}]", **keys: Any) -> str:
    given = {"kind": '"rom"', "words": "0x2000", "bits": 8, "lane": '"0..7"'} | keys
    lines = "".join(f"{key} = {value}\n" for key, value in given.items())
    return f'[[chip]]\nname = "{name}"\nregion = {regions}\n{lines}'


def point(name: str = "P1", **keys: Any) -> str:
    given = {"mode": '"timing"'} | keys
    return f'[[point]]\nname = "{name}"\n' + "".join(f"{key} = {value}\n" for key, value in given.items())


def accept(*parts: str, **options: Any) -> None:
    read_machine("\n".join((ABOUT, *parts)), **options)


def refuse(*parts: str, key: str, said: str, **options: Any) -> MachineFileError:
    """The file is refused for exactly one thing."""
    with pytest.raises(MachineFileError) as caught:
        read_machine("\n".join((ABOUT, *parts)), **options)
    error = caught.value
    assert error.key == key
    assert said in error.message
    assert error.remedy
    assert error.line is not None
    assert error.notes == ()
    return error


class TestManyChips:
    def bits_of_memory(self, count: int) -> list[str]:
        """Chips of one bit each, sixteen to a word."""
        return [
            chip(f"U{10 + n}", f"[{{base = {n // 16 * 64}, size = 64}}]", words=64, bits=1, lane=n % 16)
            for n in range(count)
        ]

    def test_one_more_than_can_be_told_apart(self) -> None:
        refuse(processor(), *self.bits_of_memory(65), key="chip[64]", said="65 chips on its bus")
        accept(processor(), *self.bits_of_memory(64))

    def test_chips_of_another_bus_do_not_count(self) -> None:
        on_first = [text + 'processor = "U1"\n' for text in self.bits_of_memory(64)]
        on_second = chip("U2", processor='"P2"')
        accept(processor("U1"), processor("P2"), *on_first, on_second)


class TestNames:
    def test_two_chips_of_one_name(self) -> None:
        second = chip("u7", lane='"8..15"')
        refuse(processor(), chip("U7"), second, key="chip[1].name", said="already taken by chip[0]")
        accept(processor(), chip("U7"), chip("U8", lane='"8..15"'))

    def test_chip_and_processor_share_the_designators_of_the_board(self) -> None:
        refuse(processor("U1"), chip("U1"), key="chip[0].name", said="already taken by processor[0]")

    def test_two_points_of_one_name(self) -> None:
        refuse(processor(), point("p"), point("P"), key="point[1].name", said="already taken")
        accept(processor("U1"), point("U1"))  # a point may be called after what it is clipped to

    @pytest.mark.parametrize(
        ("entry", "key"),
        [
            (chip(processor='"U2"'), "chip[0].processor"),
            (point(processor='"U2"'), "point[0].processor"),
            ('[[listing]]\nfile = "a.lst"\nprocessor = "U2"\n', "listing[0].processor"),
        ],
    )
    def test_processor_that_is_not_there(self, entry: str, key: str) -> None:
        refuse(processor("U1"), entry, key=key, said="here is no processor 'U2'; there is 'U1'")

    @pytest.mark.parametrize("entry", [chip(), point(), '[[listing]]\nfile = "a.lst"\n'])
    def test_of_several_processors_one_must_be_named(self, entry: str) -> None:
        with pytest.raises(MachineFileError, match="several processors"):
            accept(processor("U1"), processor("U2"), entry)
        accept(processor("U1"), processor("U2"), entry + 'processor = "U2"\n')


class TestProcessor:
    def test_bytes_of_a_word_that_is_not_whole_bytes(self) -> None:
        broken = processor(word_bits=12, address_unit='"byte"')
        refuse(broken, key="processor[0].address_unit", said="12 bits is not 1, 2, 4 or 8 bytes")
        accept(processor(word_bits=12))

    def test_start_address_beyond_the_last(self) -> None:
        refuse(processor(start_address="0x10000"), key="processor[0].start_address", said="0xFFFF")
        accept(processor(start_address="0xFFFF"))

    def test_recipe_names_are_given_from_outside(self) -> None:
        known = ["6502", "8086", "z80"]
        broken = processor(recipe='"808"')
        error = refuse(
            broken, key="processor[0].recipe", said="there are 6502, 8086, z80", recipe_names=known
        )
        assert "Did you mean '8086'?" in error.remedy
        accept(broken)  # unchecked without names
        accept(processor(recipe='"Z80"'), recipe_names=known)


class TestLane:
    @pytest.mark.parametrize(
        ("keys", "said"),
        [
            ({"lane": '"0..6"'}, "the chip has 8 outputs, but the lane '0..6' names 7 word bits"),
            ({"lane": '"0..6, 6"'}, "names word bit 6 twice"),
            ({"lane": '"9..16"'}, "names word bit 16, but U1 has a word of 16 bits (0..15)"),
        ],
    )
    def test_lane_that_does_not_fit(self, keys: dict[str, str], said: str) -> None:
        refuse(processor(), chip(**keys), key="chip[0].lane", said=said)

    def test_lane_in_any_order(self) -> None:
        accept(processor(), chip(lane='"15..8"'), chip("U8", lane='"0, 2, 4, 6, 1, 3, 5, 7"'))


class TestAddressLines:
    @pytest.mark.parametrize(
        ("lines", "said"),
        [
            ('"0..11, 11"', "address bit 11 is named twice"),
            ('"4..16"', "address bit 16 is needed, but U1 has 16 address bits"),
            ('"0..13"', "14 address lines are named, but 8192 words need 13"),
            ('"0..10"', "choose among 2048 words, but the chip has 8192 and a region of 8192"),
        ],
    )
    def test_lines_that_do_not_fit(self, lines: str, said: str) -> None:
        refuse(processor(), chip(address_lines=lines), key="chip[0].address_lines", said=said)

    def test_tied_line(self) -> None:
        accept(processor(), chip(address_lines='"0..10"', regions="[{base = 0, size = 0x0800}]"))

    def test_default_lines_of_a_byte_addressed_bus_start_at_bit_1(self) -> None:
        # M68000 User's Manual, 9th ed., sec. 5.1: A0 is not on the bus, UDS and LDS choose the byte; so 2^15
        # words need A1 to A15, and 2^16 words do not fit 16 address bits.
        wide = processor(address_unit='"byte"')
        accept(wide, chip(words=1 << 15, regions="[{base = 0, size = 0x10000}]"))
        refuse(wide, chip(words=1 << 16), key="chip[0].address_lines", said="address bit 16 is needed")


class TestRegions:
    def test_region_beyond_the_address_space(self) -> None:
        broken = chip(regions="[{base = 0, size = 0x2000}, {base = 0xF000, size = 0x1001}]")
        refuse(processor(), broken, key="chip[0].region[1]", said="ends at 0x10000")
        accept(processor(), chip(regions="[{base = 0xE000, size = 0x2000}]"))

    def test_two_memories_on_the_same_bits(self) -> None:
        other = chip("U8", kind='"ram"', lane='"7..14"', regions="[{base = 0x1800, size = 0x2000}]")
        error = refuse(
            processor(), chip(), other, key="chip[1].region[0]", said="U7 and U8 both drive bits 7"
        )
        assert "from 0x1800 to 0x1FFF" in error.message

    @pytest.mark.parametrize(
        "other",
        [
            chip("U8", lane='"8..15"'),  # other bits
            chip("U8", regions="[{base = 0x2000, size = 0x2000}]"),  # next to it
            chip("U8", kind='"io"'),  # ports may lie in a space of their own
        ],
    )
    def test_neighbours(self, other: str) -> None:
        accept(processor(), chip(), other)

    def test_banks_keep_memories_apart(self) -> None:
        first, second = (f"[{{bank = {bank}, base = 0, size = 0x2000}}]" for bank in (0, 1))
        accept(processor(), chip(regions=first), chip("U8", regions=second))
        refuse(
            processor(),
            chip(regions=first),
            chip("U8", regions=first),
            key="chip[1].region[0]",
            said="in bank 0",
        )

    def test_a_region_without_a_bank_is_in_every_bank(self) -> None:
        banked = chip("U8", regions="[{bank = 3, base = 0, size = 0x2000}]")
        refuse(processor(), chip(), banked, key="chip[1].region[0]", said="in bank 3")

    def test_regions_of_one_chip_must_not_overlap(self) -> None:
        broken = chip(regions="[{base = 0, size = 0x2000}, {base = 0x1000, size = 0x2000}]")
        refuse(processor(), broken, key="chip[0].region[1]", said="two regions of the chip overlap")

    def test_chips_of_two_processors_never_meet(self) -> None:
        accept(processor("U1"), processor("U2"), chip(processor='"U1"'), chip("U8", processor='"U2"'))


class TestInsideTheChip:
    @pytest.mark.parametrize(
        ("keys", "key", "said"),
        [
            (
                {"rows": '"6..13"'},
                "rows",
                "address line 13 is named, but a chip of 8192 words has 13 (0..12)",
            ),
            ({"columns": '"1, 1"'}, "columns", "address line 1 is named twice"),
            ({"rows": '"0..6"', "columns": '"6..12"'}, "columns", "address line 6 chooses a row already"),
        ],
    )
    def test_rows_and_columns(self, keys: dict[str, str], key: str, said: str) -> None:
        refuse(processor(), chip(**keys), key=f"chip[0].{key}", said=said)
        accept(processor(), chip(rows='"5..12"', columns='"0..4"'))

    @pytest.mark.parametrize(
        ("pins", "key", "said"),
        [
            ("{D0 = 9, D1 = 9}", "pins.D1", "pin 9 is 'D0' already"),
            ('{"/CE" = 18, "CE#" = 20}', 'pins."CE#"', "'CE#' is the same signal as '/CE'"),
            ("{D8 = 9}", "pins.D8", "8 outputs, numbered from 0"),
            ("{A13 = 9}", "pins.A13", "13 address lines, numbered from 0"),
        ],
    )
    def test_pins(self, pins: str, key: str, said: str) -> None:
        refuse(processor(), chip(pins=pins), key=f"chip[0].{key}", said=said)

    def test_pins_of_a_24_pin_eprom(self) -> None:
        # TI TMS2732A data sheet, August 1983: pins 9 to 11 and 13 to 17 data, 18 enable, 19 A10, 21 A11.
        data = ", ".join(f"D{bit} = {pin}" for bit, pin in enumerate((9, 10, 11, 13, 14, 15, 16, 17)))
        accept(processor(), chip(words=4096, pins=f'{{{data}, "/E" = 18, A10 = 19, "G/VPP" = 20, A11 = 21}}'))

    def test_only_a_rom_has_an_image(self) -> None:
        broken = chip(kind='"ram"', image='{file = "a.bin"}')
        refuse(processor(), broken, key="chip[0].image", said="only a ROM is compared")


class TestFiles:
    def write(self, folder: Path, *parts: str) -> Path:
        path = folder / "machine.toml"
        path.write_text("\n".join((ABOUT, processor(), *parts)))
        return path

    def test_image_beside_the_machine_file(self, tmp_path: Path) -> None:
        (tmp_path / "images").mkdir()
        (tmp_path / "images" / "lower.bin").write_bytes(b"")
        load_machine(self.write(tmp_path, chip(image='{file = "images/lower.bin"}')))

    def test_missing_image_with_a_near_name(self, tmp_path: Path) -> None:
        (tmp_path / "lower.bin").write_bytes(b"")
        path = self.write(tmp_path, chip(image='{file = "lowr.bin"}'))
        with pytest.raises(MachineFileError, match=r"there is no file 'lowr\.bin'") as caught:
            load_machine(path)
        assert caught.value.key == "chip[0].image.file"
        assert "Did you mean 'lower.bin'?" in caught.value.remedy
        assert load_machine(path, require_files=False).chip[0].name == "U7"

    def test_missing_listing(self, tmp_path: Path) -> None:
        path = self.write(tmp_path, '[[listing]]\nfile = "nowhere/torn.lst"\n')
        with pytest.raises(MachineFileError, match=r"There is no file 'nowhere/torn\.lst'"):
            load_machine(path)

    def test_folder_for_a_file(self, tmp_path: Path) -> None:
        path = self.write(tmp_path, chip(image='{file = "."}'))
        with pytest.raises(MachineFileError, match=r"'\.' is a folder"):
            load_machine(path)

    def test_name_that_no_file_can_have(self, tmp_path: Path) -> None:
        with pytest.raises(MachineFileError, match="there is no file"):
            load_machine(self.write(tmp_path, chip(image=r'{file = "\u0000"}')))


class TestPoints:
    def test_state_mode_needs_a_clock(self) -> None:
        refuse(
            processor(), point(mode='"state"'), key="point[0].clock", said="the event that takes each sample"
        )
        accept(processor(), point(mode='"state"', clock='"PHI2 ends"'))

    def test_clock_must_be_an_event(self) -> None:
        broken = point(mode='"state"', clock='"PHI2"')
        refuse(processor(), broken, key="point[0].clock", said="'PHI2' is not an event")

    def test_keys_that_the_mode_does_not_use(self) -> None:
        refuse(processor(), point(clock='"PHI2 ends"'), key="point[0].clock", said="in timing mode")
        refuse(processor(), point(kinds='{R = "read"}'), key="point[0].kinds", said="in timing mode")

    def test_no_time_between_samples(self) -> None:
        refuse(processor(), point(period='"0 ns"'), key="point[0].period", said="is 0")

    def test_a_line_is_clipped_to_or_tied(self) -> None:
        accept(processor(), point(columns='{CH0 = "D0"}', tied="{A14 = 0, A15 = 1}"))
        both = point(columns='{CH0 = "/RD"}', tied="{RD = 1}")
        refuse(processor(), both, key="point[0].tied.RD", said="a column carries RD")
        refuse(processor(), point(tied="{A14 = 2}"), key="point[0].tied.A14", said="2")

    @pytest.mark.parametrize("second", ["D0", "D[0]", "d_0", "/D0"])
    def test_two_columns_for_one_wire(self, second: str) -> None:
        broken = point(columns=f'{{CH0 = "D0", CH1 = "{second}"}}')
        refuse(processor(), broken, key="point[0].columns.CH1", said="already taken from the column 'CH0'")
        accept(processor(), point(columns='{CH0 = "D0", CH1 = "D1", CH2 = "/RD"}'))

    def test_column_without_a_signal(self) -> None:
        refuse(
            processor(), point(columns='{CH0 = ""}'), key="point[0].columns.CH0", said="no signal is named"
        )

    def test_column_both_ignored_and_used(self) -> None:
        broken = point(columns='{CH0 = "D0"}', ignore='["CH0"]')
        refuse(processor(), broken, key="point[0].ignore", said="both ignored and mapped to 'D0'")


RECIPE = {
    "active_low": '"RD"',
    "latch": '[{name = "ADDRESS", bus = ["AD", "AH"], at = "ALE ends"}]',
    "transfer": '[{kind = "read", at = "RD ends", address = "ADDRESS", data = "AD"}]',
}


def own(**keys: str) -> str:
    """A processor with the recipe above, some of its keys replaced; each on a line of its own."""
    signals = keys.pop("signals", "{}")
    active = keys.pop("active", "{}")
    head = processor(recipe="", signals=signals, active=active).replace("recipe = \n", "")
    return head + "[processor.recipe]\n" + "".join(f"{k} = {v}\n" for k, v in (RECIPE | keys).items())


class TestOwnRecipe:
    def test_the_recipe_itself_is_right(self) -> None:
        accept(own())

    @pytest.mark.parametrize(
        ("keys", "key", "said"),
        [
            (
                {"latch": '[{name = "ADDRES", bus = "AD", at = "ALE ends"}]'},
                "latch[0].name",
                "nothing uses the latch 'ADDRES'",
            ),
            (
                {"latch": '[{name = "ADDRESS", bus = ["AD", "ADDRESS.3"], at = "ALE ends"}]'},
                "latch[0].bus",
                "refers to itself",
            ),
            (
                {
                    "latch": '[{name = "ADDRESS", bus = "AD", at = "ALE ends", where = "SPACE.0"}, '
                    '{name = "SPACE", bus = "S", at = "ALE ends"}]'
                },
                "latch[0].where",
                "'SPACE' is used before it is loaded",
            ),
            (
                {"transfer": '[{kind = "read", at = "ADDRESS ends", address = "ADDRESS", data = "RD"}]'},
                "transfer[0].at",
                "'ADDRESS' is a latch; an event happens on a signal",
            ),
            (
                {"transfer": '[{kind = "read", at = "RD ends", address = "ADDRESS", data = "ADDRESS"}]'},
                "transfer[0].data",
                "'ADDRESS' is a latch; the word is taken from a bus",
            ),
            (
                {"active_low": '["RD", "WR"]'},
                "active_low",
                "uses no signal or bus 'WR'; it uses ALE, AD, AH, RD",
            ),
            ({"optional": '"RDY"'}, "optional", "uses no signal or bus 'RDY'"),
            ({"enable": '[{bits = "8..16", when = "RD"}]'}, "enable[0].bits", "bit 16 is named"),
            (
                {
                    "transfer": '[{kind = "read", at = "RD ends", where = ["AD.1", "!AD.1"], '
                    'address = "ADDRESS"}]'
                },
                "transfer[0].where",
                "'AD.1' and '!AD.1' never hold together",
            ),
            (
                {
                    "transfer": '[{kind = "read", at = "RD ends", address = "ADDRESS"}, '
                    '{kind = "fetch", at = "RD  ends", where = "SYNC"}]'
                },
                "transfer[1]",
                "never happens: transfer[0] has the same event",
            ),
            (
                {"transfer": '[{kind = "read", at = "RD ends", address = ["ADDRESS", "A.0..16"]}]'},
                "transfer[0].address",
                "the parts make up 17 bits, but U1 has 16 address bits",
            ),
            (
                {"transfer": '[{kind = "read", at = "RD ends", address = "ADDRESS", data = "D.0..16"}]'},
                "transfer[0].data",
                "'D.0..16' has 17 bits, but U1 has a word of 16 bits",
            ),
        ],
    )
    def test_recipe_that_does_not_fit(self, keys: dict[str, str], key: str, said: str) -> None:
        refuse(own(**keys), key=f"processor[0].recipe.{key}", said=said)

    def test_two_latches_of_one_name(self) -> None:
        latch = '{name = "ADDRESS", bus = "AD", at = "ALE ends"}'
        with pytest.raises(MachineFileError, match="there is another latch 'ADDRESS'"):
            accept(own(latch=f"[{latch}, {latch}]"))

    def test_misspelt_latch_is_recognised(self) -> None:
        with pytest.raises(MachineFileError) as caught:
            accept(own(transfer='[{kind = "read", at = "RD ends", address = "ADRESS"}]'))
        assert "Is it called 'ADRESS'?" in caught.value.remedy

    def test_later_latch_may_use_an_earlier_one(self) -> None:
        latches = (
            '[{name = "LOW", bus = "AD", at = "ALE ends"}, '
            '{name = "ADDRESS", bus = ["LOW", "AH"], at = "ALE begins", where = "LOW.0"}]'
        )
        accept(own(latch=latches))

    def test_transfer_with_more_terms_first(self) -> None:
        accept(
            own(
                transfer='[{kind = "fetch", at = "RD ends", where = "SYNC", address = "ADDRESS"}, '
                '{kind = "read", at = "RD ends", address = "ADDRESS"}, '
                '{kind = "write", at = "WR ends", address = "ADDRESS"}]'
            )
        )

    def test_joined_strobes_are_two_signals(self) -> None:
        accept(
            own(
                transfer='[{kind = "read", at = "RD|WR ends", address = "ADDRESS"}]',
                active_low='["RD", "WR"]',
            )
        )

    @pytest.mark.parametrize("key", ["signals", "active"])
    def test_renaming_what_the_recipe_does_not_use(self, key: str) -> None:
        value = {"signals": '{ALEE = "STB"}', "active": '{ALEE = "low"}'}[key]
        error = refuse(own(**{key: value}), key=f"processor[0].{key}.ALEE", said="no signal or bus 'ALEE'")
        assert "Did you mean 'ALE'?" in error.remedy

    def test_renaming_what_it_does_use(self) -> None:
        accept(own(signals='{ale = "AS", "/RD" = "DS"}', active='{AS = "low", AD7 = "low"}'))


def test_a_point_on_a_chip_needs_that_chip() -> None:
    text = """
[machine]
name = "m"
[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "z80"
[[point]]
name = "clip"
mode = "state"
clock = "CE ends"
chip = "U9"
address_trusted = false
"""
    with pytest.raises(MachineFileError) as caught:
        read_machine(text)
    assert "there is no ROM 'U9'" in str(caught.value) + " ".join(caught.value.notes)
