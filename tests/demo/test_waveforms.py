"""The pins at the moments that the published timing names.

Sources: Zilog UM0080 (CPU user manual), chapter "Timing"; Rockwell R6500 data sheet (its nanoseconds are from
memory, not checked against the document). The S16 is invented; its figure is in `pins_s16`.
"""

import numpy as np
import pytest

from wrongbit.demo.machines import inject, machine_named, simulate
from wrongbit.demo.trace import CODE
from wrongbit.demo.waveform import Unrest

NS = 1000
RESTLESS = Unrest(wandering=1.0, drift=1.0)


def drawn(name, cycles=3000, fault="none", unrest=RESTLESS):
    machine = machine_named(name)
    trace = simulate(name, inject(name, fault, 1), cycles, seed=2)
    return trace, machine.pins(trace, np.random.default_rng(3), unrest)


def level(waveforms, name, at):
    """Level of a line at these times (a change at the time itself has happened)."""
    line = waveforms.lines[name]
    return line.level[np.searchsorted(line.at_ps, at, "right") - 1]


def stable(waveforms, name, begin, end):
    """Whether a line does not change between these times, the beginning left out, the end included."""
    line = waveforms.lines[name]
    value = line.level
    real = np.concatenate(([False], value[1:] != value[:-1]))
    count = np.cumsum(real)
    first = count[np.searchsorted(line.at_ps, begin, "right") - 1]
    last = count[np.searchsorted(line.at_ps, end, "right") - 1]
    return first == last


def falls(waveforms, name):
    line = waveforms.lines[name]
    return line.at_ps[1:][(line.level[1:] == 0) & (line.level[:-1] == 1)]


def rises(waveforms, name):
    line = waveforms.lines[name]
    return line.at_ps[1:][(line.level[1:] == 1) & (line.level[:-1] == 0)]


# -- Z80 -----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def z80():
    trace, waveforms = drawn("quarrybank", 6000)
    clock = waveforms.lines["CLK"]
    return trace, waveforms, clock.at_ps[1::2], clock.at_ps[2::2]


def rise_of(z80, chosen, number):
    trace, _, rising, _ = z80
    return rising[trace.clock[chosen] + number - 1]


def fall_of(z80, chosen, number):
    trace, _, _, falling = z80
    return falling[trace.clock[chosen] + number - 1]


def of_kind(trace, kind):
    """Rows of a kind, but for the last of the trace, which the end may cut."""
    rows = np.flatnonzero(trace.kind == CODE[kind])
    return rows[rows < len(trace) - 2]


def test_z80_takes_the_opcode_at_the_rise_of_t3(z80):
    trace, waveforms, *_ = z80
    rows = of_kind(trace, "fetch")
    sampled = rise_of(z80, rows, 3)
    assert (level(waveforms, "A", sampled) == trace.address[rows]).all()
    assert (level(waveforms, "D", sampled) == trace.word[rows]).all()
    for low in ("M1", "MREQ", "RD"):
        assert (level(waveforms, low, sampled) == 0).all()
    for high in ("WR", "IORQ", "RFSH"):
        assert (level(waveforms, high, sampled) == 1).all()
    assert stable(waveforms, "D", sampled - 50 * NS, sampled).all(), "set-up time of the opcode"


def test_z80_mreq_and_rd_of_a_fetch_fall_half_a_clock_after_the_address(z80):
    trace, waveforms, *_ = z80
    rows = of_kind(trace, "fetch")
    for name in ("MREQ", "RD"):
        assert (level(waveforms, name, fall_of(z80, rows, 1)) == 1).all()
        assert (level(waveforms, name, rise_of(z80, rows, 2)) == 0).all()
    assert (level(waveforms, "A", fall_of(z80, rows, 1)) == trace.address[rows]).all()


def test_z80_refresh_is_no_memory_read(z80):
    """T3 and T4 of M1: the refresh address, RFSH and MREQ low, RD high, M1 high again."""
    trace, waveforms, *_ = z80
    rows = of_kind(trace, "refresh")
    middle = rise_of(z80, rows, 2)
    assert (level(waveforms, "A", middle) == trace.address[rows]).all()
    for name, expected in (("RFSH", 0), ("MREQ", 0), ("RD", 1), ("M1", 1), ("WR", 1)):
        assert (level(waveforms, name, middle) == expected).all()
    assert (level(waveforms, "RFSH", fall_of(z80, rows, 2)) == 0).all()


def test_z80_takes_other_words_at_the_fall_of_t3(z80):
    trace, waveforms, *_ = z80
    rows = of_kind(trace, "read")
    sampled = fall_of(z80, rows, 3)
    assert (level(waveforms, "D", sampled) == trace.word[rows]).all()
    assert (level(waveforms, "A", sampled) == trace.address[rows]).all()
    for name, expected in (("MREQ", 0), ("RD", 0), ("M1", 1), ("RFSH", 1)):
        assert (level(waveforms, name, sampled) == expected).all()
    assert stable(waveforms, "D", sampled - 60 * NS, sampled).all()


def test_z80_write_ends_half_a_clock_before_the_address_changes(z80):
    trace, waveforms, *_ = z80
    rows = of_kind(trace, "write")
    down, up = fall_of(z80, rows, 2), fall_of(z80, rows, 3)
    assert (level(waveforms, "WR", down) == 1).all() and (level(waveforms, "WR", up) == 0).all()
    assert (level(waveforms, "WR", up + 100 * NS) == 1).all()
    assert stable(waveforms, "D", down, up + 150 * NS).all(), "the word stands before, during and after WR"
    assert (level(waveforms, "D", up) == trace.word[rows]).all()
    assert stable(waveforms, "A", down, rise_of(z80, rows, 4)).all()


def test_z80_output_has_one_wait_state_and_iorq(z80):
    trace, waveforms, *_ = z80
    rows = of_kind(trace, "io_write")
    assert len(rows)
    sampled = fall_of(z80, rows, 4)
    for name, expected in (("IORQ", 0), ("WR", 0), ("MREQ", 1), ("RD", 1), ("M1", 1)):
        assert (level(waveforms, name, sampled) == expected).all()
    assert (level(waveforms, "D", sampled) == trace.word[rows]).all()
    assert (level(waveforms, "A", sampled) == trace.address[rows]).all()


def test_z80_input_has_one_wait_state_and_iorq():
    trace = simulate("quarrybank", inject("quarrybank", "stuck-low", 1, "U3.D0"), 120_000, seed=1)
    waveforms = machine_named("quarrybank").pins(trace, np.random.default_rng(1), RESTLESS)
    rows = of_kind(trace, "io_read")
    assert len(rows) > 10
    sampled = waveforms.lines["CLK"].at_ps[2::2][trace.clock[rows] + 3]
    for name, expected in (("IORQ", 0), ("RD", 0), ("MREQ", 1), ("WR", 1)):
        assert (level(waveforms, name, sampled) == expected).all()
    assert (level(waveforms, "D", sampled) == trace.word[rows]).all()


def test_z80_strobes_come_as_often_as_their_cycles(z80):
    trace, waveforms, *_ = z80
    count = {kind: int((trace.kind == code).sum()) for kind, code in CODE.items()}
    assert len(falls(waveforms, "M1")) == count["fetch"]
    assert len(falls(waveforms, "RD")) == count["fetch"] + count["read"] + count["io_read"]
    assert len(falls(waveforms, "WR")) == count["write"] + count["io_write"]
    assert len(falls(waveforms, "RFSH")) == count["refresh"]
    assert len(falls(waveforms, "MREQ")) == sum(count[k] for k in ("fetch", "refresh", "read", "write"))


# -- 6502 ----------------------------------------------------------------------------------------------------


def test_6502_everything_stands_at_the_fall_of_phi2():
    trace, waveforms = drawn("fellgate", fault="floating-data")
    fall = falls(waveforms, "PHI2")
    assert len(fall) == len(trace)
    before = fall - 1
    assert (level(waveforms, "A", before) == trace.address).all()
    assert (level(waveforms, "D", before) == trace.word).all()
    assert (level(waveforms, "R/W", before) == (trace.kind != CODE["write"])).all()
    assert (level(waveforms, "SYNC", before) == (trace.kind == CODE["fetch"])).all()
    # 1 MHz limits: address within 225 ns of the last fall, data 100 ns before and 10 ns after.
    assert stable(waveforms, "A", fall[:-1] + 225 * NS, fall[1:] + 10 * NS).all()
    assert stable(waveforms, "R/W", fall[:-1] + 225 * NS, fall[1:] + 10 * NS).all()
    assert stable(waveforms, "D", fall - 100 * NS, fall + 10 * NS).all()


def test_6502_clock_has_the_machines_frequency():
    _, waveforms = drawn("fellgate")
    periods = np.diff(falls(waveforms, "PHI2"))
    assert abs(periods.mean() - 1e12 / 983_000) < 1
    high = falls(waveforms, "PHI2") - rises(waveforms, "PHI2")
    assert (abs(high / 1e12 * 983_000 - 0.5) < 0.01).all()


# -- S16 -----------------------------------------------------------------------------------------------------


def test_s16_address_at_the_end_of_lad_and_word_at_the_end_of_get_or_put():
    trace, waveforms = drawn("saltmarsh", 12_000)
    latch = falls(waveforms, "LAD")
    assert len(latch) == len(trace)
    assert (level(waveforms, "AD", latch - 1) == trace.address).all()
    assert stable(waveforms, "AD", latch - 200 * NS, latch + 60 * NS).all()
    writes = np.isin(trace.kind, (CODE["write"], CODE["io_write"]))
    for name, rows in (("GET", ~writes), ("PUT", writes)):
        end = rises(waveforms, name)
        assert (level(waveforms, "AD", end - 1) == trace.word[rows]).all()
        assert (level(waveforms, "BK", end) == trace.bank[rows]).all()
        assert (level(waveforms, "FIRST", end) == (trace.kind[rows] == CODE["fetch"])).all()
        port = np.isin(trace.kind[rows], (CODE["io_read"], CODE["io_write"]))
        assert (level(waveforms, "PORT", end) == port).all()
        assert stable(waveforms, "AD", end - 100 * NS, end + 20 * NS).all()


# -- what nobody looks at ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name, line", [("fellgate", "D"), ("quarrybank", "D"), ("saltmarsh", "AD")])
def test_unrest_adds_changes_only_where_nobody_looks(name, line):
    quiet = drawn(name, unrest=Unrest(0, 0))[1].lines[line]
    loud = drawn(name)[1].lines[line]
    assert len(loud.at_ps) > 1.2 * len(quiet.at_ps)


@pytest.mark.parametrize("name, line", [("fellgate", "D"), ("quarrybank", "D")])
def test_a_floating_bit_shows_no_drift_that_the_processor_did_not_see(name, line):
    """While a chip is never enabled, what the lines hold until the next word is what the trace says."""
    machine = machine_named(name)
    trace = simulate(name, inject(name, "floating-data", 1, machine.board.roms[0].name), 2000, seed=2)
    waveforms = machine.pins(trace, np.random.default_rng(3), RESTLESS)
    starts = np.round(trace.clock * (1e12 / trace.clock_hz)).astype(np.int64)
    moves = trace.kind != CODE["refresh"]
    undriven = np.flatnonzero(moves & (trace.driven == 0))
    assert len(undriven) > 1000
    # 150 ns into the cycle: hold and turn-round times are over, no memory drives yet.
    assert (level(waveforms, line, starts[undriven] + 150 * NS) == trace.held[undriven]).all()
