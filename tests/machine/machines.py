"""Random machines that are right: as the model holds them, and as somebody might have written them."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from wrongbit.units import format_bits

Table = dict[str, Any]

MULTIPLEXED: Table = {
    "source": "invented",
    "active_low": ["RD", "WR"],
    "latch": [
        {"name": "ADDRESS", "bus": ["AD"], "at": "ALE ends"},
        {"name": "BANK", "bus": ["BK0", "BK1"], "at": "ALE ends", "where": ["!HOLD"]},
    ],
    "transfer": [
        {"kind": "fetch", "at": "RD ends", "where": ["SYNC"], "address": ["ADDRESS"], "data": "AD"},
        {"kind": "read", "at": "RD ends", "address": ["ADDRESS"], "data": "AD"},
        {"kind": "write", "at": "WR ends", "address": ["ADDRESS"], "data": "AD"},
    ],
    "bank": ["BANK"],
    "optional": ["SYNC"],
    "setup": "30 ns",
    "held": "address",
}
STROBED: Table = {
    "transfer": [
        {"kind": "read", "at": "UDS|LDS ends", "where": ["RW"], "address": ["A.1..8"]},
        {"kind": "write", "at": "UDS|LDS ends", "where": ["!RW"], "address": ["A.1..8"]},
    ],
    "enable": [{"bits": "0..3", "when": ["LDS"]}, {"bits": "4..7", "when": ["UDS"]}],
    "address_shift": 1,
}

names = st.text(
    st.characters(categories=["L", "N", "P", "S"], exclude_characters=" "), min_size=1, max_size=8
)
picoseconds = st.integers(1, 10**9)


@st.composite
def processors(draw: st.DrawFn, name: str) -> Table:
    """A ``[[processor]]``, native values only."""
    address_unit = draw(st.sampled_from(["word", "byte"]))
    word_bits = draw(st.sampled_from([8, 16, 32, 64] if address_unit == "byte" else [8, 12, 16, 24, 64]))
    address_bits = draw(st.integers(12, 32))
    table: Table = {
        "name": name,
        "word_bits": word_bits,
        "address_bits": address_bits,
        "address_unit": address_unit,
        "recipe": draw(st.sampled_from(["z80", "6502", MULTIPLEXED, STROBED])),
    }
    if draw(st.booleans()):
        table["start_address"] = draw(st.integers(0, (1 << address_bits) - 1))
        table["clock"] = draw(st.sampled_from(["1 MHz", "32.768 kHz", "2,5 MHz"]))
    if table["recipe"] is MULTIPLEXED:
        table["signals"] = {"ALE": "AS", "AD": "DAL"}
        table["active"] = {"HOLD": "low"}
    return table


@st.composite
def chips_of(draw: st.DrawFn, processor: Table) -> list[Table]:
    """Chips that share no address, bank and bit: the space is dealt out in slots, the word in lanes."""
    step = processor["word_bits"] // 8 if processor["address_unit"] == "byte" else 1
    first = step.bit_length() - 1
    slot_bits = draw(st.integers(5, processor["address_bits"] - 2))
    chips = []
    for slot in draw(st.lists(st.integers(0, 3), max_size=3, unique=True)):
        for bank in draw(st.sampled_from([[None], [0], [0, 1, 7]])):
            lanes = draw(_lanes(processor["word_bits"]))
            for lane in lanes:
                words = max((1 << min(slot_bits, 24)) // step, 1)
                count = (words - 1).bit_length()
                region: Table = {"base": slot << slot_bits, "size": 1 << slot_bits}
                if bank is not None:
                    region["bank"] = bank
                chip: Table = {
                    "kind": draw(st.sampled_from(["rom", "ram", "io"])),
                    "processor": processor["name"],
                    "words": words,
                    "bits": len(lane),
                    "lane": lane,
                    "region": [region],
                    "inverted": draw(st.booleans()),
                }
                if draw(st.booleans()):
                    chip["address_lines"] = draw(st.permutations(range(first, first + count)))
                    chip["access_time"] = draw(picoseconds)
                if chip["kind"] == "rom" and draw(st.booleans()):
                    chip["image"] = {"file": draw(names), "base": draw(st.integers(0, 2**32 - 1))}
                if count >= 2:
                    chip["rows"] = list(range(count // 2))
                    chip["columns"] = list(range(count // 2, count))
                chips.append(chip)
    return chips


@st.composite
def _lanes(draw: st.DrawFn, word_bits: int) -> list[list[int]]:
    """The word's bits in any order, cut into pieces."""
    order = draw(st.permutations(range(word_bits)))
    cuts = sorted(draw(st.sets(st.integers(1, word_bits - 1), max_size=3)))
    return [list(order[a:b]) for a, b in zip([0, *cuts], [*cuts, word_bits], strict=True)]


points = st.one_of(
    st.fixed_dictionaries(
        {"mode": st.just("timing")},
        optional={
            "skew": picoseconds,
            "period": picoseconds,
            "ignore": st.lists(names, max_size=2).map(lambda each: [f"not {name}" for name in each]),
            "columns": st.lists(names, unique=True).map(
                lambda each: {column: f"D{bit}" for bit, column in enumerate(each)}
            ),
        },
    ),
    st.fixed_dictionaries({"mode": st.just("state"), "clock": st.sampled_from(["PHI2 ends", "CLK begins"])}),
    st.fixed_dictionaries(
        {"mode": st.just("cycles")},
        optional={"kinds": st.dictionaries(names, st.sampled_from(["fetch", "read"])), "radix": st.just(8)},
    ),
)


@st.composite
def machines(draw: st.DrawFn) -> Table:
    """A whole machine file, native values only."""
    owners = [draw(processors(f"U{number}")) for number in range(draw(st.integers(1, 2)))]
    chips = [chip for owner in owners for chip in draw(chips_of(owner))]
    for number, chip in enumerate(chips):
        chip["name"] = f"IC{number}"
    probe = [
        {"name": f"P{number}", "processor": draw(st.sampled_from(owners))["name"], **point}
        for number, point in enumerate(draw(st.lists(points, max_size=3)))
    ]
    return {
        "machine": {"name": draw(names), "notes": draw(st.text(st.characters(exclude_categories=["Cs"])))},
        "processor": owners,
        "chip": chips,
        "point": probe,
        "listing": [
            {"file": draw(names), "processor": owner["name"], "address_radix": 8, "offset": -16}
            for owner in owners[:1]
        ],
    }


TIMES = ("access_time", "skew", "period")
BITS = ("lane", "address_lines", "rows", "columns")


@st.composite
def written(draw: st.DrawFn, value: Any, key: str = "") -> Any:
    """The same in one of the notations in which a person may write it."""
    if isinstance(value, dict):
        return {each: draw(written(value[each], each)) for each in value}
    if key in TIMES:
        return draw(st.sampled_from([f"{value} ps", f"{value / 1000:.3f} ns", f"{value}e-3 ns"]))
    if key in BITS and isinstance(value, list | tuple):
        return draw(st.sampled_from([format_bits(tuple(value)) or list(value), list(value)]))
    if isinstance(value, list | tuple):
        if len(value) == 1 and isinstance(value[0], str):
            return draw(st.sampled_from([value, value[0]]))  # a single text may stand without brackets
        return [draw(written(each)) for each in value]
    if isinstance(value, int) and not isinstance(value, bool) and key not in ("radix", "address_radix"):
        return draw(st.sampled_from([value, hex(value), oct(value), str(value)]))
    return value
