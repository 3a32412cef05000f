"""What contents show by themselves: real ROMs show nothing suspicious, damaged ones show their damage."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import entropy

from reading.damage import Bytes, option_rom, system_rom
from wrongbit.image.contents import Contents
from wrongbit.reading.structure import Structure, cut_by_entropy, line_shares, look

pytestmark = pytest.mark.debian

REAL = sorted(
    path
    for folder, kind in (
        ("/usr/share/seabios", "*.bin"),
        ("/usr/share/cbios", "*.rom"),
        ("/usr/lib/ipxe/qemu", "*.rom"),
        ("/usr/share/qemu", "*vapic*.bin"),
    )
    for path in Path(folder).glob(kind)
)


def contents(data: Bytes) -> Contents:
    words = data.astype(np.uint64)
    return Contents(words, np.full(len(words), 255, np.uint64), 8)


def kinds(found: Structure) -> set[str]:
    return {remark.kind for remark in found.remarks if remark.suspicious}


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name)
def test_no_real_rom_is_suspicious(path: Path) -> None:
    """Debian's seabios, cbios, ipxe-qemu and qemu-system-data; cut to a chip's size where longer."""
    data = np.frombuffer(path.read_bytes(), np.uint8)
    found = look(contents(data))
    assert not found.suspicious, [remark.says for remark in found.remarks]
    if data[0] == 0x55 and data[1] == 0xAA:
        assert found.rules[0].check.holds
        assert "sum of bytes, 8 bits" in found.zero_sums


def test_there_are_real_roms() -> None:
    assert len(REAL) > 20


@pytest.mark.parametrize("bit", range(8))
@pytest.mark.parametrize("level", [0, 1])
def test_a_dead_output(bit: int, level: int) -> None:
    data = system_rom()
    found = look(contents(data | np.uint8(1 << bit) if level else data & np.uint8(255 ^ 1 << bit)))
    assert kinds(found) == {"dead output"}
    assert f"D{bit} reads {level}" in found.remarks[0].says


def test_a_bridge_makes_outputs_equal() -> None:
    data = system_rom()
    both = data & data >> np.uint8(1) & np.uint8(0x10)
    found = look(contents(data & np.uint8(0xCF) | both | both << np.uint8(1)))
    assert kinds(found) == {"equal outputs"}
    assert "D4 and D5" in found.remarks[0].says


@pytest.mark.parametrize("line", [0, 3, 7, 11])
def test_a_dead_address_line(line: int) -> None:
    data = system_rom()
    address = np.arange(len(data)) & ~(1 << line)
    found = look(contents(data[address]))
    assert kinds(found) == {"dead address line"}
    assert f"A{line} changes nothing" in found.remarks[0].says


@pytest.mark.parametrize("times", [2, 4, 8])
def test_mirrored_contents(times: int) -> None:
    part = system_rom()[: 8192 // times]
    found = look(contents(np.tile(part, times)))
    assert "mirrored" in kinds(found)
    assert f"The same {8192 // times} words stand there {times} times." in found.remarks[0].says


def test_a_blank_chip_and_an_echo() -> None:
    assert kinds(look(contents(np.full(4096, 0xFF, np.uint8)))) == {"blank"}
    echo = look(contents((np.arange(4096) & 255).astype(np.uint8)))
    assert "address echoed" in kinds(echo)


def test_a_broken_option_rom_breaks_its_own_sum_and_doubt_is_counted() -> None:
    """The expansion ROM rule: Plug and Play BIOS Specification 1.0A, appendix A."""
    data = option_rom(1 << 16).copy()
    assert look(contents(data)).rules[0].check.holds
    data[0x345] ^= 0x08
    doubt = np.zeros(len(data), np.uint64)
    doubt[[0x345, 0x400, 0xFFF0]] = 0x08
    found = look(contents(data), uncertain=doubt)
    assert kinds(found) == {"checksum fails"}
    assert found.rules[0].uncertain == 2


def test_entropy_is_scipys_and_the_cut_is_where_noise_begins() -> None:
    data = np.concatenate([system_rom(), np.random.default_rng(3).integers(0, 256, 8192).astype(np.uint8)])
    words = data.astype(np.uint64)
    found = cut_by_entropy(words, 8)
    assert 8192 in {stretch.first for stretch in found}
    for stretch in found:
        counts = np.bincount(data[stretch.first : stretch.end], minlength=256)
        assert stretch.entropy == pytest.approx(entropy(counts, base=2), rel=1e-9)
    assert [remark.kind for remark in look(contents(data)).remarks] == ["entropy break"]


def test_shares_of_lines_by_hand() -> None:
    assert line_shares(np.array([1, 1, 2, 3], np.uint64)) == (0.5, 1.0)


def test_words_of_sixteen_bits_are_summed_by_their_bytes() -> None:
    data = option_rom(1 << 16)
    words = data.reshape(-1, 2).astype(np.uint64) @ np.array([1, 256], np.uint64)
    wide = Contents(words, np.full(len(words), 0xFFFF, np.uint64), 16)
    assert look(wide).rules[0].check.holds
    assert not look(wide, byte_order="big").rules
