"""Whole machine files: read, refused with every problem, never with anything but a MachineFileError."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from machine.machines import machines, written
from wrongbit.errors import MachineFileError
from wrongbit.machine.load import load_machine, read_machine
from wrongbit.machine.model import Machine, json_schema

GOOD = """\
[machine]
name = "Nettlecombe weaving counter"

[[processor]]
name = "U1"
word_bits = 8
address_bits = 16
recipe = "z80"

[[chip]]
name = "U7"
kind = "rom"
words = 0x2000
bits = 8
lane = "0..7"

[[chip.region]]
base = 0
size = 0x2000
"""

SCHEMA = Draft202012Validator(json_schema())


def refused(text: str, **options: Any) -> MachineFileError:
    with pytest.raises(MachineFileError) as caught:
        read_machine(text, **options)
    return caught.value


class TestFile:
    def test_a_file_is_loaded(self, tmp_path: Path) -> None:
        path = tmp_path / "machine.toml"
        path.write_text(GOOD, encoding="utf-8")
        machine = load_machine(path)
        assert machine.chip[0].words == 8192
        assert machine.chip[0].lane == tuple(range(8))

    def test_windows_habits_do_no_harm(self, tmp_path: Path) -> None:
        path = tmp_path / "machine.toml"
        path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
        assert load_machine(path) == read_machine(GOOD)

    def test_missing_file_with_a_near_name(self, tmp_path: Path) -> None:
        (tmp_path / "machine.toml").write_text(GOOD)
        with pytest.raises(MachineFileError, match="no such file") as caught:
            load_machine(tmp_path / "machin.toml")
        assert "machine.toml" in caught.value.remedy

    def test_missing_folder(self, tmp_path: Path) -> None:
        with pytest.raises(MachineFileError) as caught:
            load_machine(tmp_path / "nowhere" / "machine.toml")
        assert "no folder" in caught.value.remedy

    def test_folder(self, tmp_path: Path) -> None:
        (tmp_path / "loom.toml").write_text(GOOD)
        with pytest.raises(MachineFileError, match="is a folder") as caught:
            load_machine(tmp_path)
        assert "loom.toml" in caught.value.remedy

    @pytest.mark.parametrize(
        ("content", "byte", "found"),
        [
            (b"[machine]\nname = '\xe9'", 18, "0xE9"),
            (GOOD.encode("utf-16"), 0, "UTF-16"),
            (b"\x7fELF\xff", 4, "0xFF"),
        ],
    )
    def test_not_utf_8(self, tmp_path: Path, content: bytes, byte: int, found: str) -> None:
        path = tmp_path / "machine.toml"
        path.write_bytes(content)
        with pytest.raises(MachineFileError, match="not UTF-8") as caught:
            load_machine(path)
        assert caught.value.byte == byte
        assert found in caught.value.message

    @pytest.mark.parametrize("content", ["", "\n\n", "# only a comment\n"])
    def test_empty(self, tmp_path: Path, content: str) -> None:
        path = tmp_path / "machine.toml"
        path.write_text(content)
        with pytest.raises(MachineFileError, match="holds no entry"):
            load_machine(path)

    def test_a_capture_is_not_read_to_its_end(self, tmp_path: Path) -> None:
        path = tmp_path / "capture.csv"
        with path.open("wb") as stream:
            stream.truncate(1 << 32)
        with pytest.raises(MachineFileError, match="larger than"):
            load_machine(path)

    def test_unreadable_name(self) -> None:
        with pytest.raises(MachineFileError, match="cannot be read"):
            load_machine(Path("machine\0.toml"))


class TestSyntax:
    @pytest.mark.parametrize(
        ("text", "line", "said"),
        [
            ("[machine]\nname = eprom\n", 2, "column 8"),
            ("[machine]\nname\n", 2, "column"),
            ("[machine]\nname = 'x'\nname = 'y'\n", 3, "overwrite"),
            ("[machine]\n[machine]\n", 2, "declare"),
            ('[machine]\nname = "x', 2, "end of the file"),
            ("[machine]\nname = 'x'\nlist = [1,\n2\n", 4, "end of the file"),
        ],
    )
    def test_line_and_column(self, text: str, line: int, said: str) -> None:
        error = refused(text, file="m.toml")
        assert error.line == line
        assert said in error.message.lower() or said in error.message
        assert error.remedy

    @pytest.mark.parametrize("text", ["x = " + "[" * 100_000, "x = " + "9" * 5000, "x = " + "{a=" * 5000])
    def test_text_made_to_break_readers(self, text: str) -> None:
        assert refused(text).message


class TestKeys:
    def test_unknown_key_with_suggestion_and_all_names(self) -> None:
        error = refused(GOOD.replace("lane =", "lanes ="))
        told = " ".join([str(error), *error.notes])
        assert "no key 'lanes'" in told
        assert "Did you mean 'lane'?" in told
        assert "address_lines" in told  # the list of names
        assert "key 'lane' is missing" in told

    def test_place_is_key_line_and_name(self) -> None:
        error = refused(GOOD.replace('"rom"', '"eprom"'), file="m.toml")
        assert (error.file, error.line, error.key) == ("m.toml", 12, "chip[0].kind")
        assert error.message == "Chip U7: 'eprom' is given; rom, ram or io is expected."
        assert "'rom'" in error.remedy

    def test_key_below_the_wrong_header(self) -> None:
        text = GOOD.replace('lane = "0..7"\n', "") + 'lane = "0..7"\n'
        error = refused(text)
        told = " ".join([*error.notes, str(error)])
        assert "It belongs to [[chip]]: write it above the line [[chip.region]]." in told

    @pytest.mark.parametrize(
        ("old", "new", "said"),
        [
            ("word_bits = 8", 'word_bits = "sixteen"', "'sixteen' is not a whole number"),
            ("word_bits = 8", "word_bits = 8.0", "8.0 is not a whole number"),
            ("word_bits = 8", "word_bits = true", "true is not a whole number"),
            ("word_bits = 8", "word_bits = 65", "65 is out of range; 64 or less"),
            ("word_bits = 8", "word_bits = [8]", "a list is given; a whole number"),
            ("word_bits = 8", "word_bits = 1979-05-27", "date or time 1979-05-27"),
            ('lane = "0..7"', 'lane = "0-7"', "'0-7' is not a list of bits"),
            ('lane = "0..7"', 'lane = "57..64"', "bit 64 is named"),
            ('lane = "0..7"', "lane = [0, 1, 2, 3, 4, 5, 6, true]", "true is not a whole number"),
            ('lane = "0..7"', "lane = {a = 1}", "a table is given; a list is expected"),
            ('name = "U7"', 'name = ""', "It is empty"),
            ('name = "U7"', "name = 7", "7 is given; text is expected"),
            ('name = "U7"', r'name = "U\u001b[31m7"', "cannot be printed"),
            ('kind = "rom"', 'kind = "rom"\naccess_time = 450', "450 has no unit"),
            ('kind = "rom"', 'kind = "rom"\naccess_time = "450"', "'450' is not a time"),
            ('kind = "rom"', 'kind = "rom"\naccess_time = "-1 ns"', "negative"),
            ('kind = "rom"', 'kind = "rom"\ninverted = "no"', "'no' is given; true or false"),
            ('kind = "rom"', 'kind = "rom"\npins = [1]', "a list is given; one table"),
            ('recipe = "z80"', "recipe = 80", "name of a built-in recipe or a table"),
            ('recipe = "z80"', 'recipe = "z80"\nclock = "0 Hz"', "not above zero"),
            ('recipe = "z80"', 'recipe = "z80"\nactive = {RD = "up"}', "high or low is expected"),
            ("[[processor]]", "[processor]", "Write the header as [[processor]]"),
            ("[[chip.region]]", "[chip.region]", "Write the header as [[chip.region]]"),
            ("[machine]", "[[machine]]", "Write the header once, as [machine]"),
            ("size = 0x2000", "size = 0", "0 is out of range; 1 or more"),
        ],
    )
    def test_wrong_value(self, old: str, new: str, said: str) -> None:
        assert old in GOOD
        error = refused(GOOD.replace(old, new, 1))
        assert said in str(error)
        assert error.line is not None
        assert error.remedy
        assert not error.notes  # one slip, one problem

    def test_missing_tables(self) -> None:
        error = refused("[machine]\nname = 'x'\n")
        assert error.key == "processor"
        assert error.remedy == "Add [[processor]]."

    def test_problems_of_a_recipe_of_its_own(self) -> None:
        recipe = (
            '[processor.recipe]\nsetup = "x"\n[[processor.recipe.transfer]]\nkind = "read"\nat = "RD rises"\n'
        )
        error = refused(GOOD.replace('recipe = "z80"', recipe))
        assert (error.key, error.line) == ("processor[0].recipe.setup", 9)
        assert "processor[0].recipe.transfer[0].at" in error.notes[0]
        assert "'SIGNAL begins' or 'SIGNAL ends'" in error.notes[0]

    def test_all_problems_at_once_in_the_order_of_the_file(self) -> None:
        text = (
            GOOD.replace('"rom"', '"prom"').replace("word_bits = 8", "word_bits = 99").replace("size", "sise")
        )
        error = refused(text)
        assert error.key == "processor[0].word_bits"
        lines = [int(note.split(",")[0].removeprefix("line ")) for note in error.notes]
        assert lines == [12, 17, 19]

    def test_a_ruined_file_is_not_told_without_end(self) -> None:
        text = GOOD + "".join(f"x{number} = 1\n" for number in range(500))
        error = refused(text)
        assert len(error.notes) == 25
        assert error.notes[-1] == "and 475 more."

    @pytest.mark.parametrize(
        "written_so", ["8192", "0x2000", "0o20000", '"0x2000"', '"0o20000"', '"8192"', "8_192"]
    )
    def test_notations_of_a_number(self, written_so: str) -> None:
        assert read_machine(GOOD.replace("words = 0x2000", f"words = {written_so}")) == read_machine(GOOD)

    @pytest.mark.parametrize(
        "written_so", ['"0..7"', "[0, 1, 2, 3, 4, 5, 6, 7]", '"0, 1..7"', '[0, "0x1", 2, 3, 4, 5, 6, 7]']
    )
    def test_notations_of_bits(self, written_so: str) -> None:
        assert read_machine(GOOD.replace('lane = "0..7"', f"lane = {written_so}")) == read_machine(GOOD)


class TestRandomMachines:
    @given(machines().flatmap(lambda data: st.tuples(st.just(data), written(data))))
    @settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
    def test_what_is_written_is_what_is_read(self, both: tuple[dict[str, Any], dict[str, Any]]) -> None:
        native, notation = both
        text = tomli_w.dumps(notation)
        machine = read_machine(text, recipe_names=["z80", "6502"])
        assert machine == Machine.model_validate(native)
        for chip, given_chip in zip(machine.chip, native["chip"], strict=True):
            assert chip.lane == tuple(given_chip["lane"])
            assert chip.access_time == given_chip.get("access_time")
            assert chip.region[0].base == given_chip["region"][0]["base"]
        assert list(SCHEMA.iter_errors(tomllib.loads(text))) == []


junk = st.recursive(
    st.one_of(
        st.integers(-(2**70), 2**70),
        st.floats(),
        st.booleans(),
        st.text(st.characters(exclude_categories=["Cs"]), max_size=6),
        st.sampled_from(
            ["", "0..7", "63..0", "450 ns", "rom", "U1", "z80", "RD ends", "!A.3", "0x10", "low"]
        ),
        st.dates(),
        st.just(datetime.time(1, 2)),
    ),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["name", "base", "x", ""]), inner)
    ),
    max_leaves=4,
)

ODDLY_WRITTEN = tomllib.loads(GOOD)


@st.composite
def damaged(draw: st.DrawFn) -> dict[str, Any]:
    """A right machine in which one to three values were replaced, taken out or added."""
    data = draw(st.one_of(st.just(ODDLY_WRITTEN).map(_copy), machines().map(_copy)))
    for _ in range(draw(st.integers(1, 3))):
        holder: Any = data
        while True:
            keys = list(holder) if isinstance(holder, dict) else list(range(len(holder)))
            if not keys:
                break
            key = draw(st.sampled_from(keys))
            if isinstance(holder[key], dict | list) and holder[key] and draw(st.integers(0, 3)):
                holder = holder[key]
                continue
            act = draw(st.sampled_from(["replace", "remove", "add"]))
            if act == "replace":
                holder[key] = draw(junk)
            elif act == "remove":
                del holder[key]
            elif isinstance(holder, dict):
                holder[draw(st.sampled_from(["", "name", "lanes", "/CE", "a.b", "é"]))] = draw(junk)
            else:
                holder.append(_copy(holder[key]))
            break
    return data


def _copy(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _copy(each) for key, each in value.items()}
    return [_copy(each) for each in value] if isinstance(value, list | tuple) else value


class TestDamage:
    @given(damaged())
    @settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
    def test_damaged_values_give_a_machine_file_error_or_a_machine(self, data: dict[str, Any]) -> None:
        text = tomli_w.dumps(data)
        try:
            read_machine(text, file="m.toml", recipe_names=["z80", "6502"])
        except MachineFileError as error:
            assert error.message
            assert error.file == "m.toml"
            assert "\x1b" not in str(error)
        else:
            # An editor that uses the schema never complains of a file that loads.
            assert list(SCHEMA.iter_errors(tomllib.loads(text))) == []

    @given(
        st.lists(
            st.tuples(
                st.sampled_from(["cut", "drop", "insert", "double"]),
                st.integers(0, len(GOOD)),
                st.integers(1, 20),
                st.text(st.sampled_from("[]{}=\"'.,#\n\\ \0é0xa_-!|"), max_size=3),
            ),
            min_size=1,
            max_size=3,
        )
    )
    @settings(max_examples=300)
    @example([("cut", 10, 1, "")])
    def test_damaged_text_gives_a_machine_file_error_or_a_machine(
        self, acts: list[tuple[str, int, int, str]]
    ) -> None:
        text = GOOD
        for act, place, length, piece in acts:
            middle = {"cut": "", "drop": text[place + length :], "insert": piece + text[place:]}
            text = text[:place] + middle.get(act, text[place : place + length] + text[place:])
        try:
            read_machine(text)
        except MachineFileError as error:
            assert error.message

    @given(st.binary(max_size=200))
    def test_bytes_of_any_kind_give_a_machine_file_error(
        self, tmp_path_factory: pytest.TempPathFactory, content: bytes
    ) -> None:
        path = tmp_path_factory.getbasetemp() / "machine.toml"
        path.write_bytes(content)
        with pytest.raises(MachineFileError):
            load_machine(path)
