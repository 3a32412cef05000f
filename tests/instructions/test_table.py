"""Own tables: worked rows, and what is refused."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from wrongbit.errors import MachineFileError
from wrongbit.instructions.instruction import ClockCount, Instruction
from wrongbit.instructions.sets import instruction_set
from wrongbit.instructions.table import TableFile, load_table, read_table
from wrongbit.machine.model import Processor

HEAD = 'name = "t"\nunit_bits = 8\naddress_bits = 16\n'


def table(rows: str, head: str = HEAD, names: str = "") -> str:
    return f'{head}rows = """\n{rows}\n"""\n{names}'


def only(rows: str, data: bytes, at: int = 0x1000, head: str = HEAD, names: str = "") -> Instruction:
    found = read_table(table(rows, head, names), "t.toml").decode(dict(enumerate(data, at)).get, at)
    assert found is not None
    return found


class TestRows:
    """Each worked by hand from the column rules."""

    def test_fields_and_relative_target(self) -> None:
        found = only(
            "001ccddd <n> | B{c:cond} {n:+} | branch | next + signed n | 2/3+1", b"\x28\xfe",
            names='[names]\ncond = ["A", "B", "C", "D"]\n',
        )  # fmt: skip
        assert (found.text, found.targets, found.length) == ("BB -2", (0x1000,), 2)
        assert found.cycles == ClockCount(2, 3, 1)
        assert found.cycles.all == {2, 3, 4}
        assert found.successors == {0x1000, 0x1002}

    def test_a_field_whose_bits_lie_apart(self) -> None:
        assert only("1aa0a0a0 | x{a:d} | next", b"\xca").text == "x11"

    def test_order_of_bytes(self) -> None:
        assert only("0x10 <a:2> | J {a} | jump | a", b"\x10\x34\x12").targets == (0x1234,)
        big = HEAD + "big_endian = true\n"
        assert only("0x10 <a:2> | J {a} | jump | a", b"\x10\x34\x12", head=big).targets == (0x3412,)

    def test_within_the_page_and_multiples(self) -> None:
        assert only("0x20 <a> | JP {a} | jump | page 8 + a", b"\x20\x77", 0x12F0).targets == (0x1277,)
        assert only("11nnn111 | R | call | n * 8", b"\xff").targets == (0x38,)

    def test_stored_address(self) -> None:
        data = b"\x30\x03\x10\x78\x56"
        assert only("0x30 <a:2> | J | jump | at a", data).targets == (0x5678,)
        assert only("0x30 <a:2> | J | jump | at a", data[:3]).targets is None

    def test_stored_address_within_one_page(self) -> None:
        """The NMOS 6502's JMP (10FF) takes its upper byte from 1000 (common practice, no source)."""
        memory = {0x2000: 0x6C, 0x2001: 0xFF, 0x2002: 0x10, 0x10FF: 0x34, 0x1000: 0x12, 0x1100: 0x99}
        rows = read_table(table("0x6C <a:2> | J | jump | at_in_page a"), "t")
        found = rows.decode(memory.get, 0x2000)
        assert found is not None
        assert found.targets == (0x1234,)

    def test_data_accesses(self) -> None:
        head = HEAD + "data_listed = true\n"
        found = only("0x40 <a:2> | X | next | | | r a, w a + 1, in ?", b"\x40\x34\x12", head=head)
        assert found.data is not None
        assert [(each.kind, each.address) for each in found.data] == [
            ("read", 0x1234), ("write", 0x1235), ("io_read", None),
        ]  # fmt: skip

    def test_conditional_call_and_bank(self) -> None:
        found = only("0x50 <a:2> | C | call? bank^2 | a", b"\x50\x34\x12")
        assert (found.conditional, found.bank_change, found.successors) == (True, 2, {0x1234, 0x1003})

    def test_no_row_matches(self) -> None:
        found = only("0x50 | C | next", b"\x51")
        assert (found.flow, found.successors, found.documented) == ("unknown", None, False)

    def test_the_first_row_counts(self) -> None:
        rows = "0x50 | A | next\n01010--- | B | next"
        assert only(rows, b"\x50").text == "A"
        assert only(rows, b"\x51").text == "B"

    def test_addresses_wrap(self) -> None:
        found = only("0x50 <n> | A | jump | next + signed n", b"\x50\xff", 0xFFFF - 1)
        assert (found.following, found.targets) == (0, (0xFFFF,))


PAGE = (Path(__file__).parents[2] / "docs" / "instructions.md").read_text("utf-8")


class TestDocument:
    def test_its_table_can_be_used(self) -> None:
        (text,) = (block for block in re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL) if "rows" in block)
        found = read_table(text, "document").decode(dict(enumerate(b"\x28\xfe", 0x1000)).get, 0x1000)
        assert found is not None
        assert (found.text, found.targets) == ("jr z,0x1000", (0x1000,))

    @pytest.mark.parametrize("key", TableFile.model_fields)
    def test_it_tells_every_key(self, key: str) -> None:
        assert key == "rows" or f"`{key}`" in PAGE


REFUSED = [
    ("0x50 | A", "2 columns"),
    ("0x50 | A | hop", "'hop' is no flow"),
    ("0x5000 | A | next", "does not fit 8 bits"),
    ("0101 | A | next", "neither 8 bits"),
    ("0x50 | A | jump", "needs a target"),
    ("0x50 | A | jump | b", "no field"),
    ("0x50 <b> | A {c} | next", "no field"),
    ("0x50 <b> | A {b:list} | next", "does not list"),
    ("0x50 <b> | A | jump | b b", "'+' is expected"),
    ("0x50 <b> | A | jump | b +", "ends too early"),
    ("0x50 <b> | A | jump | signed 5", "a field is expected"),
    ("0x50 <b> | A | jump | b * c", "a number is expected"),
    ("0x50 | A | next | | fast", "no clock cycles"),
    ("0x50 | A | next | | 2 | read a", "no data access"),
    ("0101---- | A | next\n0x50 | B | next", "an earlier row"),
    ("0x50 <b> <b> | A | next", "stands twice"),
    ("0aaaaaaa 0aaaaaaa | A | next", "stands in two units"),
    ("| A | next", "the pattern is empty"),
]


@pytest.mark.parametrize(("rows", "says"), REFUSED)
def test_a_wrong_row_is_told_with_its_line(rows: str, says: str) -> None:
    with pytest.raises(MachineFileError) as caught:
        read_table(table(rows), "mine.toml")
    assert says in caught.value.message
    assert caught.value.file == "mine.toml"
    assert caught.value.line == 4 + rows.count("\n") + 1


def test_wrong_keys_are_told() -> None:
    with pytest.raises(MachineFileError, match="no key 'unit_bit'") as caught:
        read_table(table("0x50 | A | next") + "unit_bit = 8\n", "mine.toml")
    assert "unit_bits" in caught.value.remedy
    with pytest.raises(MachineFileError, match="not TOML"):
        read_table("rows = ", "mine.toml")
    with pytest.raises(MachineFileError, match="no rows"):
        read_table(table(""), "mine.toml")
    with pytest.raises(MachineFileError, match="no packaged table"):
        read_table(table("0x50 | A | next", HEAD + 'base = "z81"\n'), "mine.toml")


@pytest.mark.parametrize(
    ("head", "key"),
    [
        (HEAD.replace("unit_bits = 8", "unit_bits = 16"), "unit_bits"),
        (HEAD.replace("address_bits = 16", "address_bits = 20"), "address_bits"),
        (HEAD + "step = 2\n", "step"),
        (HEAD + "big_endian = true\n", "big_endian"),
    ],
)
def test_rows_of_a_base_table_are_not_read_with_other_widths(head: str, key: str) -> None:
    with pytest.raises(MachineFileError, match="in the base table '6502'") as caught:
        read_table(table("", head + 'base = "6502"\n'), "mine.toml")
    assert caught.value.key == key


def processor(**more: str) -> Processor:
    return Processor(name="U1", word_bits=8, address_bits=16, **{"recipe": "z80", **more})


class TestChoice:
    def test_default_by_family(self, tmp_path: Path) -> None:
        found = instruction_set(processor(), tmp_path)
        assert found is not None
        assert found.name == "Z80"

    def test_every_built_in_recipe_has_one(self, tmp_path: Path) -> None:
        from wrongbit.bus.recipes import recipe_names

        for name in recipe_names():
            assert instruction_set(processor(recipe=name), tmp_path) is not None, name

    def test_own_table(self, tmp_path: Path) -> None:
        (tmp_path / "mine.toml").write_text(table("0x50 | A | next"), "utf-8")
        found = instruction_set(processor(instructions="table:mine.toml"), tmp_path)
        assert found is not None
        assert found.name == "t"

    def test_wrong_name(self, tmp_path: Path) -> None:
        with pytest.raises(MachineFileError) as caught:
            instruction_set(processor(instructions="z8"), tmp_path)
        assert "'z80'" in caught.value.remedy

    @pytest.mark.parametrize("content", [None, b"\xff\xfe\x00"])
    def test_missing_or_garbage(self, tmp_path: Path, content: bytes | None) -> None:
        path = tmp_path / "mine.toml"
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(MachineFileError, match="cannot be read"):
            load_table(path)
