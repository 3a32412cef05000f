"""The machine at a glance, against a walk over every single address."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wrongbit.compare.memory_map import ChipMap, ChipRegion
from wrongbit.machine.load import read_machine
from wrongbit.machine.model import Machine, default_address_lines
from wrongbit.machine.overview import Gap, overview
from wrongbit.machine.templates import read_template, template_names
from wrongbit.units import parse_bits


def machine(*chips: dict[str, Any], **keys: Any) -> Machine:
    processor = {"name": "U1", "word_bits": 16, "address_bits": 8, "recipe": "z80"} | keys.pop(
        "processor", {}
    )
    return Machine.model_validate({"machine": {"name": "m"}, "processor": [processor], "chip": chips, **keys})


def chip(name: str, lane: str = "0..7", base: int = 0, size: int = 64, **keys: Any) -> dict[str, Any]:
    region = {"base": base, "size": size} | ({"bank": keys.pop("bank")} if "bank" in keys else {})
    given = {"kind": "rom", "words": 64, "bits": len(parse_bits(lane)), "image": {"file": f"{name}.bin"}}
    if keys.get("kind", "rom") != "rom":
        del given["image"]
    return {"name": name, "lane": lane, "region": [region]} | given | keys


POINT = {"name": "p", "mode": "timing", "columns": {"CH1": "/RD"}, "ignore": ["CH9"]}


class TestMap:
    def test_rows_are_in_order_of_address_then_bank_then_lane(self) -> None:
        view = overview(
            machine(
                chip("A", "8..15", base=64),
                chip("B", "0..7", base=64),
                chip("C", "0..15"),
                chip("D", base=128, bank=1),
            )
        )
        assert [row.chip for row in view.regions] == ["C", "B", "A", "D"]
        assert [(row.first, row.last) for row in view.regions] == [(0, 63), (64, 127), (64, 127), (128, 191)]

    def test_a_row_says_what_is_there(self) -> None:
        image = {"file": "boot.bin", "take": "odd", "base": 0x4000, "inverted": True}
        (row,) = overview(machine(chip("U7", "15..8", type="2716", image=image))).regions
        assert (row.chip, row.kind, row.type, row.lane) == ("U7", "rom", "2716", "15..8")
        assert row.contents == "odd bytes of boot.bin from 0x4000, inverted"

    @given(st.integers(0, 255), st.permutations(range(6)))
    def test_first_word_is_what_the_comparison_will_use(self, base: int, lines: list[int]) -> None:
        data = machine(chip("U7", "0..7", base=base, size=1, address_lines=lines))
        (row,) = overview(data).regions
        described = data.chip[0]
        outside = ChipMap(
            name="U7",
            kind="rom",
            lane=described.lane,
            address_lines=default_address_lines(described, data.processor[0]),
            regions=(ChipRegion(None, base, 1),),
            contents=np.zeros(64, np.uint64),
            known=np.zeros(64, np.uint64),
        )
        assert row.first_word == int(outside.chip_address(np.array([base], np.uint64))[0])


class TestGaps:
    def test_between_and_after(self) -> None:
        view = overview(machine(chip("A", "0..15", base=16, size=16)))
        assert view.gaps == (Gap("U1", None, 0, 15, ""), Gap("U1", None, 32, 255, ""))

    def test_half_a_word(self) -> None:
        view = overview(machine(chip("A", "0..7", size=256)))
        assert view.gaps == (Gap("U1", None, 0, 255, "8..15"),)

    def test_only_in_one_bank(self) -> None:
        chips = [chip("A", "0..15", size=256, bank=0), chip("B", "0..15", size=128, bank=1)]
        assert overview(machine(*chips)).gaps == (Gap("U1", 1, 128, 255, ""),)

    def test_a_port_may_be_narrower_than_the_bus(self) -> None:
        assert overview(machine(chip("A", "0..7", size=256, kind="io"))).gaps == ()

    spans = st.lists(
        st.tuples(
            st.sampled_from(["rom", "io"]),
            st.integers(0, 15),
            st.integers(1, 16),
            st.sampled_from(["0..1", "2..3", "0..3"]),
            st.sampled_from([None, 0, 1]),
        ).map(lambda span: (*span[:2], min(span[2], 16 - span[1]), *span[3:])),
        max_size=6,
    )

    @given(spans)
    @settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])
    def test_every_address_of_every_bank(self, spans: list[tuple[str, int, int, str, int | None]]) -> None:
        chips = [
            chip(f"C{n}", lane, base, size, kind=kind, **({} if bank is None else {"bank": bank}))
            for n, (kind, base, size, lane, bank) in enumerate(spans)
        ]
        view = overview(machine(*chips, processor={"word_bits": 4, "address_bits": 4}))
        banks = sorted({bank for *_, bank in spans if bank is not None}) or [0]
        for bank in banks:
            for address in range(16):
                told = [g for g in view.gaps if g.bank in (None, bank) and g.first <= address <= g.last]
                assert len(told) <= 1
                bits = set() if not told else set(parse_bits(told[0].bits)) if told[0].bits else {0, 1, 2, 3}
                here = [s for s in spans if s[4] in (None, bank) and s[1] <= address < s[1] + s[2]]
                driven = {bit for s in here for bit in parse_bits(s[3])}
                only_ports = bool(here) and all(s[0] == "io" for s in here)
                assert bits == (set() if only_ports else {0, 1, 2, 3} - driven)


class TestProcessorAndPoints:
    def test_who_answers_the_first_fetch(self) -> None:
        chips = [chip("A", "0..7"), chip("B", "8..15"), chip("C", "0..15", base=64), chip("P", kind="io")]
        (view,) = overview(machine(*chips, processor={"start_address": 63})).processors
        assert view.starts_in == ("A", "B")

    def test_own_recipe(self) -> None:
        recipe = {"source": "Drawing 12", "transfer": [{"kind": "read", "at": "RD ends"}]}
        (view,) = overview(machine(processor={"recipe": recipe})).processors
        assert (view.recipe, view.source) == ("own", "Drawing 12")
        (view,) = overview(machine()).processors
        assert (view.recipe, view.source) == ("z80", "")

    def test_point(self) -> None:
        (view,) = overview(machine(point=[POINT])).points
        assert (view.name, view.processor, view.mode) == ("p", "U1", "timing")
        assert (view.columns, view.ignored) == ((("CH1", "/RD"),), ("CH9",))


BANKLESS = {"transfer": [{"kind": "read", "at": "RD ends"}]}


class TestRemarks:
    def remarks(self, *chips: dict[str, Any], **keys: Any) -> tuple[str, ...]:
        return overview(machine(*chips, point=[POINT], **keys)).remarks

    def test_nothing_to_remark(self) -> None:
        assert self.remarks(chip("A", "0..15")) == ()

    @pytest.mark.parametrize(
        ("chips", "keys", "said"),
        [
            ([], {}, "U1 has no chip"),
            ([chip("A")], {"processor": {"start_address": 64}}, "U1 starts at 0x40, where no memory answers"),
            ([chip("A", image=None)], {}, "A is a ROM without an image or a listing"),
            ([chip("A", size=128)], {}, "A has 64 words and a region of 128: they repeat"),
            ([chip("A", size=16)], {}, "A has 64 words, of which its regions show 16"),
            ([chip("A", base=32, size=64)], {}, "begins with the chip's word 0x20"),
            ([chip("A", bank=1)], {"processor": {"recipe": BANKLESS}}, "has no bank signals"),
            ([chip("A", bank=1)], {"processor": {"recipe": "z80"}}, "has no bank signals"),
        ],
    )
    def test_worth_a_second_look(self, chips: list[dict[str, Any]], keys: dict[str, Any], said: str) -> None:
        (remark,) = self.remarks(*chips, **keys)
        assert said in remark

    def test_size_counts_addresses_not_words(self) -> None:
        # Two byte-wide chips of 64 words on a 16-bit bus that counts bytes answer at 128 addresses.
        pair = [chip("A", "0..7", size=128), chip("B", "8..15", size=128)]
        assert self.remarks(*pair, processor={"address_unit": "byte"}) == ()

    def test_a_listing_does_for_an_image(self) -> None:
        assert self.remarks(chip("A", image=None), listing=[{"file": "a.lst"}]) == ()

    def test_no_point(self) -> None:
        assert overview(machine(chip("A"))).remarks == (
            "There is no probe point yet; a capture needs one to be read.",
        )


@pytest.mark.parametrize("name", template_names())
def test_templates_need_no_remark_and_become_json(name: str) -> None:
    view = overview(read_machine(read_template(name)))
    assert view.remarks == ()
    again = json.loads(json.dumps(dataclasses.asdict(view)))
    assert [row["chip"] for row in again["regions"]] == [row.chip for row in view.regions]


def test_chip_is_described_once_for_each_region() -> None:
    two = chip("A") | {"region": [{"base": 0, "size": 32}, {"base": 128, "size": 32}]}
    view = overview(machine(two))
    assert [(row.first, row.last) for row in view.regions] == [(0, 31), (128, 159)]
