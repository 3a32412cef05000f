"""A chip in a reader: what its physics and its contacts do to a pass, and what its owner is left with.

Outside checks: intelhex and bincopy read the passes, tomllib the conditions, struct adds up the words. The
trade's rules: an erased cell is 1; lost charge turns 0 into 1 only (charge loss through defects: Euzent et
al., "Reliability Aspects of a Floating Gate E2PROM", IRPS 1981, abstract); marginal cells hang on supply and
temperature, and a high supply shows a weak 0 as 1 first (device physics, from memory).
"""

import re
import struct
import tomllib
from pathlib import Path

import bincopy
import numpy as np
import pytest
from intelhex import IntelHex

from wrongbit.demo.cells import held_where, pack_bits, programmed, unpack_bits
from wrongbit.demo.machines import machine_named, machines
from wrongbit.demo.reader import TROUBLES, bench_for
from wrongbit.demo.readings import differing_bits, troubles_of, usual_trouble, write_chip_case
from wrongbit.errors import UsageError

BOARD = machine_named("quarrybank").board
TRUTH = BOARD.chip("U3").contents
ADDRESS = np.arange(8192)


def one_pass(trouble, seed=1, number=0, volts=5.0, celsius=25.0, wait=None):
    bench = bench_for(BOARD, trouble, "U3", seed)
    waits = bench.waits_ns[number] if wait is None else wait
    return bench.read(volts, celsius, waits, np.random.default_rng(number))


def bits(words):
    return unpack_bits(words, 8)


# Cells ---------------------------------------------------------------------------------------------


def test_a_fresh_chip_reads_what_was_programmed_at_every_permitted_supply():
    cells = programmed(TRUTH, 8, np.random.default_rng(1))
    for volts in (4.5, 5.0, 5.5):
        for celsius in (0.0, 70.0):
            assert (cells.read(ADDRESS, volts, celsius, 250.0, np.random.default_rng(2)) == TRUTH).all()


def test_an_erased_chip_reads_ones():
    cells = programmed(TRUTH, 8, np.random.default_rng(1)).erased()
    assert (cells.read(ADDRESS, 5.0, 25.0, 450.0, np.random.default_rng(2)) == 0xFF).all()


@pytest.mark.parametrize("seed", range(1, 6))
def test_lost_charge_turns_zeros_into_ones_and_never_the_other_way(seed):
    wrong = []
    for volts in (4.5, 5.0, 5.5):
        read = one_pass("worn", seed, volts=volts)
        assert not (TRUTH & ~read).any()
        wrong.append(int(np.bitwise_count(read & ~TRUTH).sum()))
    assert 50 < wrong[0] < wrong[1] < wrong[2] < 400


def test_heat_shows_more_weak_zeros_as_ones():
    cold, hot = (np.bitwise_count(one_pass("worn", celsius=c) ^ TRUTH).sum() for c in (0.0, 70.0))
    assert cold < hot


def test_passes_of_a_worn_chip_differ_in_marginal_cells_only():
    one, two = one_pass("worn", number=0, wait=450.0), one_pass("worn", number=1, wait=450.0)
    assert 0 < np.bitwise_count(one ^ two).sum() < 10


def test_a_late_bit_shows_what_its_output_showed_before():
    held = np.array([[True, False], [False, False], [True, True], [True, False]])
    level = np.array([[False, False], [False, True], [True, False], [True, False]])
    assert held_where(held, level).tolist() == [[True, False], [False, True], [False, True], [False, False]]


def test_words_survive_being_taken_apart():
    assert (pack_bits(bits(TRUTH)) == TRUTH).all()


# What may be wrong between chip and file --------------------------------------------------------------


def test_nothing_wrong_reads_right():
    assert all((one_pass("none", number=number) == TRUTH).all() for number in range(6))


def test_stuck_and_bent_outputs():
    assert (one_pass("stuck-output:U3.D4.high") == TRUTH | 0x10).all()
    assert (one_pass("stuck-output:U3.D4.low") == TRUTH & 0xEF).all()
    assert (one_pass("bent-output:U3.D2") == TRUTH | 0x04).all()  # pulled up by the reader


def test_a_bent_address_pin_drifts():
    read = one_pass("bent-address:U3.A7")
    low, high = read == TRUTH[ADDRESS & ~0x80], read == TRUTH[ADDRESS | 0x80]
    assert (low | high).all()
    assert not low.all() and not high.all()


def test_touching_outputs_show_the_and():
    both = bits(TRUTH)[:, 3] & bits(TRUTH)[:, 4]
    read = bits(one_pass("touching-outputs:U3.D3-D4"))
    assert (read[:, 3] == both).all() and (read[:, 4] == both).all()
    assert (read[:, :3] == bits(TRUTH)[:, :3]).all() and (read[:, 5:] == bits(TRUTH)[:, 5:]).all()


def test_a_dirty_contact_opens_for_stretches():
    wrong = one_pass("dirty-contact:U3.D5@0.1") ^ TRUTH
    assert set(np.unique(wrong)) == {0, 0x20}
    zeros = ~bits(TRUTH)[:, 5]
    opened = (wrong != 0)[zeros]
    assert 0.04 < opened.mean() < 0.2
    assert (opened[1:] & opened[:-1]).sum() > 0.5 * opened.sum()


def test_lines_sizes_and_halves():
    moved = (ADDRESS & ~0x18) | (ADDRESS >> 1 & 0x08) | (ADDRESS << 1 & 0x10)
    assert (one_pass("swapped-lines:U3.A3-A4") == TRUTH[moved]).all()
    assert (one_pass("mirrored") == np.tile(TRUTH[:4096], 2)).all()
    filled = one_pass("half-filled")
    assert (filled[:4096] == TRUTH[:4096]).all() and (filled[4096:] == 0xFF).all()
    assert (one_pass("exchanged-halves") == np.concatenate([TRUTH[4096:], TRUTH[:4096]])).all()


def test_too_fast_shows_the_word_before():
    assert (one_pass("too-fast", number=0) == TRUTH).all()
    read = one_pass("too-fast", number=5)
    assert (read != TRUTH).mean() > 0.2
    moved = read ^ TRUTH
    late = moved[1:] & (read[1:] ^ read[:-1])  # a wrong bit is the one that stood there before
    assert not late.any()


def test_another_chip_a_dead_row_and_a_weak_column():
    assert (one_pass("other-chip:U3-U2") == BOARD.chip("U2").contents).all()
    row = (ADDRESS >> 5) == 37
    dead = one_pass("dead-row:U3.row37.high")
    assert (dead[row] == 0xFF).all() and (dead[~row] == TRUTH[~row]).all()
    wrong = one_pass("weak-column:U3.D3.column5.low@0.3") ^ TRUTH
    column = ((ADDRESS & 31) == 5) & bits(TRUTH)[:, 3]
    assert not wrong[~column].any() and set(np.unique(wrong)) == {0, 8}
    assert 0.15 < (wrong[column] != 0).mean() < 0.45
    assert (one_pass("blank") == 0xFF).all()


@pytest.mark.parametrize("machine", [machine.name for machine in machines()])
def test_every_example_of_a_detail_works(machine):
    for name, (_, example) in troubles_of(machine_named(machine)).items():
        bench = bench_for(machine_named(machine).board, f"{name}:{example}", None, 1)
        assert bench.chip.name in example and bench.sentence


# The case --------------------------------------------------------------------------------------------


@pytest.fixture
def case(tmp_path):
    return write_chip_case(tmp_path)


def contents_of(path):
    if path.suffix == ".hex":
        return bytes(IntelHex(str(path)).tobinarray(start=0, size=8192))
    if path.suffix == ".s19":
        image = bincopy.BinFile()
        image.add_srec(path.read_text())
        return bytes(image.as_binary())
    return path.read_bytes()


def test_passes_in_three_formats_read_by_other_libraries(case):
    assert [path.suffix for path in case.readings] == [".bin", ".bin", ".hex", ".hex", ".s19", ".s19"]
    for number, path in enumerate(case.readings):
        data = contents_of(path)
        assert len(data) == 8192
        read = np.frombuffer(data, np.uint8)
        assert not (TRUTH & ~read.astype(np.uint64)).any(), path.name
        wrong = int(np.bitwise_count(read ^ TRUTH.astype(np.uint8)).sum())
        assert wrong == differing_bits(case, path) > 50
        assert case.bench.volts[number] in (4.5, 5.0, 5.5)


def test_conditions_of_every_pass(case):
    entries = tomllib.loads((case.folder / "readings.toml").read_text())["reading"]
    assert [entry["file"] for entry in entries] == [path.name for path in (*case.readings, case.twin)]
    assert [entry["voltage"] for entry in entries[:6]] == [
        "5.0 V",
        "5.0 V",
        "4.5 V",
        "4.5 V",
        "5.5 V",
        "5.5 V",
    ]
    assert all(entry["speed"].endswith(" ns") for entry in entries)


def test_the_truth_is_in_none_of_the_files(case):
    truth = TRUTH.astype(np.uint8).tobytes()
    assert not (case.folder / "u3.bin").exists()
    for path in case.folder.iterdir():
        data = contents_of(path)
        assert truth not in data
        assert truth[-512:-448].hex(" ").upper() not in data.decode("latin-1")  # of the page that is missing


def test_what_is_left_of_the_printout_is_right(case):
    known = {}
    for line in case.printout.read_text().splitlines():
        if not line.startswith(";"):
            first, *words = line.split()
            known |= {int(first, 16) + place: int(word, 16) for place, word in enumerate(words)}
    assert 0.9 < len(known) / 8192 < 0.95
    assert all(TRUTH[address - 0x2000] == word for address, word in known.items())
    assert max(known) < 0x3E00


def test_the_twin_has_bad_cells_of_its_own(case):
    twin = np.frombuffer(case.twin.read_bytes(), np.uint8)
    worn = np.frombuffer(case.readings[0].read_bytes(), np.uint8)
    truth = TRUTH.astype(np.uint8)
    assert not (truth & ~twin).any()
    assert 3 < np.bitwise_count(twin ^ truth).sum() < 60
    assert np.bitwise_count((twin ^ truth) & (worn ^ truth)).sum() <= 2


def test_the_sum_that_the_self_test_wants(case):
    assert case.worn.checksum == "word-sum-le = 0"
    assert sum(struct.unpack("<4096H", TRUTH.astype(np.uint8).tobytes())) % 0x10000 == 0


def test_the_same_seed_writes_the_same_files(tmp_path, case):
    again = write_chip_case(tmp_path / "again")
    other = write_chip_case(tmp_path / "other", seed=2)
    for one, two, three in zip(case.readings, again.readings, other.readings, strict=True):
        assert one.read_bytes() == two.read_bytes() != three.read_bytes()


def test_a_chip_that_is_not_worn_keeps_its_image(tmp_path):
    case = write_chip_case(tmp_path, "quarrybank", "mirrored")
    assert (tmp_path / "u3.bin").read_bytes() == TRUTH.astype(np.uint8).tobytes()
    assert case.twin is None and case.printout is None and case.worn is None


def test_a_wrong_bit_is_counted_in_every_format(case, tmp_path):
    data = bytearray(TRUTH.astype(np.uint8).tobytes())
    data[77] ^= 0x12
    (tmp_path / "x.bin").write_bytes(data)
    image = bincopy.BinFile()
    image.add_binary(bytes(data))
    (tmp_path / "x.hex").write_text(image.as_ihex())
    (tmp_path / "x.srec").write_text(image.as_srec())
    assert [differing_bits(case, tmp_path / name) for name in ("x.bin", "x.hex", "x.srec")] == [2, 2, 2]
    (tmp_path / "x.bin").write_bytes(data[:-1])
    assert differing_bits(case, tmp_path / "x.bin") == 10


@pytest.mark.parametrize(
    ("machine", "trouble", "message", "remedy"),
    [
        ("quarrybank", "warn", "is called 'warn'", "worn, none"),
        ("quarrybank", "worn:U2", "could prove", "worn:U3"),
        ("fellgate", "worn", "could prove", "another fault"),
        ("quarrybank", "blank:U5", "'U5' is no ROM", "U2, U3"),
        ("quarrybank", "bent-address:U3.A13", "A0 to A12", ""),
        ("quarrybank", "touching-outputs:U3.D3-D3", "D0 to D7", ""),
        ("quarrybank", "mirrored:U3.D3", "a data line means nothing", ""),
        ("quarrybank", "dead-row:U3.row256", "no row 256", "0 to 255"),
        ("quarrybank", "other-chip:U3-U5", "U5 is no ROM of 8192 words", ""),
        ("fellgate", "other-chip", "no other ROM of 4096 words", ""),
        ("nowhere", None, "'nowhere'", "quarrybank"),
    ],
)
def test_a_mistake_is_told_and_nothing_is_written(tmp_path, machine, trouble, message, remedy):
    with pytest.raises(UsageError) as caught:
        write_chip_case(tmp_path / "case", machine, trouble)
    assert message in caught.value.message
    assert remedy in caught.value.remedy
    assert not (tmp_path / "case").exists()


def test_usual_troubles():
    assert usual_trouble(machine_named("quarrybank")) == "worn:U3"
    assert usual_trouble(machine_named("saltmarsh")) in TROUBLES


def test_the_document_names_every_trouble():
    text = (Path(__file__).parents[2] / "docs" / "demo-machines.md").read_text("utf-8")
    section = text.split("## A chip in a reader")[1].split("## What is simplified")[0]
    assert re.findall(r"^\| `([a-z-]+)` \|", section, re.MULTILINE) == list(TROUBLES)
