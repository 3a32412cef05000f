"""Each kind of fault against a prediction made here, word by word, from the fault's own parameters.

The prediction is plain Python on whole numbers, written from the sentence of the fault, and knows nothing of
`wrongbit.demo.board`. It needs the address that the processor put out, what stood on the bus, and the ROMs.
"""

from itertools import pairwise
from random import Random

import pytest

from wrongbit.demo.board import Bus
from wrongbit.demo.machines import inject, machine_named, machines, simulate
from wrongbit.demo.trace import CODE
from wrongbit.errors import UsageError

READS = 3_000


def bit(value, number):
    return value >> number & 1


def put(value, number, level):
    return value | 1 << number if level else value & ~(1 << number)


def wire(value, fault, numbers, model):
    """Two or one of the numbered wires behind the fault."""
    if model.endswith("stuck-high"):
        return put(value, numbers[0], 1)
    if model.endswith("stuck-low"):
        return put(value, numbers[0], 0)
    one, two = bit(value, numbers[0]), bit(value, numbers[1])
    if model.endswith("-and"):
        one = two = one and two
    elif model.endswith("-or"):
        one = two = one or two
    else:
        one, two = two, one
    return put(put(value, numbers[0], one), numbers[1], two)


class Reads:
    """Reads of ROM words in random order from a board with a fault."""

    def __init__(self, machine, fault, cycles=READS):
        self.machine, self.fault = machine, fault
        rng = Random("reads")
        bus = Bus(machine.board, fault, Random("board"), lambda address: 0)
        ram = next(chip for chip in machine.board.chips if chip.kind == "ram").regions[0][1]
        for _ in range(cycles):
            bank, base, size = rng.choice(machine.board.roms).regions[0]
            bus.read(CODE["read"], bank or 0, base + rng.randrange(size), 0)
            if rng.random() < 0.3:  # so that a floating line is driven low now and then
                bus.write(CODE["write"], 0, ram, rng.getrandbits(machine.board.word_bits), 0)
        trace = bus.trace(len(bus), 1e6)
        columns = (trace.kind, trace.bank, trace.address, trace.word, trace.held)
        self.rows = [
            row[1:] for row in zip(*(c.tolist() for c in columns), strict=True) if row[0] <= CODE["read"]
        ]

    def roms_at(self, bank, address):
        for chip in self.machine.board.roms:
            for in_bank, base, size in chip.regions:
                if base <= address < base + size and in_bank in (None, bank):
                    yield chip

    def share(self, predict):
        """Share of ROM reads in which `predict` names the outputs that the processor received from a chip.

        ``predict(chip, bank, address, held)`` gives the chip's outputs, or None for "cannot say".
        """
        right = total = 0
        for bank, address, word, held in self.rows:
            for chip in self.roms_at(bank, address):
                outputs = predict(chip, bank, address, held >> chip.lane[0] & 0xFF)
                if outputs is not None:
                    total += 1
                    right += outputs == word >> chip.lane[0] & 0xFF
        assert total > 100, "the run says nothing"
        return right / total


def good(chip, address):
    return int(chip.contents[address % chip.words])


@pytest.fixture(params=[machine.name for machine in machines()])
def machine(request):
    return machine_named(request.param)


def test_no_fault_no_difference(machine):
    reads = Reads(machine, inject(machine.name, "none", 1))
    assert reads.share(lambda chip, bank, address, held: good(chip, address)) == 1.0


@pytest.mark.parametrize("model", ["stuck-high", "stuck-low", "bridged-data-and", "bridged-data-or"])
def test_data_lines(machine, model):
    chips = [*machine.board.roms, None]
    for chip in chips:
        place = "bus" if chip is None else chip.name
        fault = inject(machine.name, model, 3, place)

        def predict(at, bank, address, held, fault=fault, chip=chip):
            outputs = good(at, address)
            if chip is None:
                bits = [b - at.lane[0] for b in fault.bits]
                if not set(bits) <= set(range(8)):
                    return outputs if not set(bits) & set(range(8)) else None
                return wire(outputs, fault, bits, model)
            return wire(outputs, fault, fault.bits, model) if at.name == chip.name else outputs

        assert Reads(machine, fault).share(predict) == 1.0


@pytest.mark.parametrize(
    "model",
    [
        "address-stuck-high",
        "address-stuck-low",
        "address-bridged-and",
        "address-bridged-or",
        "address-swapped",
    ],
)
def test_address_lines(machine, model):
    for chip in [*machine.board.roms, None]:
        for seed in range(2):
            fault = inject(machine.name, model, seed, "bus" if chip is None else chip.name)
            reads = Reads(machine, fault)

            def predict(at, bank, address, held, fault=fault, chip=chip, reads=reads):
                if chip is None or at.name == chip.name:
                    changed = wire(address, fault, fault.lines, model)
                    if chip is None and at not in reads.roms_at(bank, changed):
                        return None  # the decoder sees another address too
                    return good(at, changed)
                return good(at, address)

            assert reads.share(predict) == 1.0


def test_open_address_line_gives_one_of_two_words(machine):
    fault = inject(machine.name, "address-open", 2, machine.board.roms[-1].name + ".A3")
    reads = Reads(machine, fault)
    seen = {0: 0, 1: 0}
    for bank, address, word, _ in reads.rows:
        for chip in reads.roms_at(bank, address):
            if chip.name == fault.chip:
                outputs = word >> chip.lane[0] & 0xFF
                choices = [good(chip, put(address, 3, level)) for level in (0, 1)]
                assert outputs in choices
                if choices[0] != choices[1]:
                    seen[choices.index(outputs)] += 1
    assert min(seen.values()) > 100


def test_wrong_bank():
    machine = machine_named("saltmarsh")
    contents = {chip.name: chip for chip in machine.board.roms}
    other = {"U13": "U11", "U14": "U12", "U11": "U11", "U12": "U12"}
    reads = Reads(machine, inject("saltmarsh", "wrong-bank", 1, "bus.bank0"))
    assert reads.share(lambda chip, bank, a, held: good(contents[other[chip.name]], a)) == 1.0


@pytest.mark.parametrize("model", ["wrong-chip", "two-chips"])
def test_selection(machine, model):
    if model not in {kind.name for kind in machine.faults()}:
        pytest.skip("no two ROMs on the same data lines")
    chips = {chip.name: chip for chip in machine.board.roms}
    fault = inject(machine.name, model, 1)
    pair = {fault.chip: fault.other, fault.other: fault.chip}

    def predict(chip, bank, address, held):
        if chip.name not in pair:
            return good(chip, address)
        elsewhere = good(chips[pair[chip.name]], address)
        return elsewhere if model == "wrong-chip" else elsewhere & good(chip, address)

    reads = Reads(machine, fault)
    assert reads.share(predict) == 1.0


def test_floating_data_keeps_what_was_held(machine):
    for chip in machine.board.roms:
        fault = inject(machine.name, "floating-data", 1, chip.name)

        def predict(at, bank, address, held, chip=chip):
            return held if at.name == chip.name else good(at, address)

        assert Reads(machine, fault).share(predict) == 1.0


def test_slow_data_is_late_in_its_share_of_reads(machine):
    chip = machine.board.roms[-1]
    fault = inject(machine.name, "slow-data", 1, f"{chip.name}@0.4")
    reads = Reads(machine, fault)
    late = total = whole = 0
    for bank, address, word, held in reads.rows:
        for at in reads.roms_at(bank, address):
            outputs, before = word >> at.lane[0] & 0xFF, held >> at.lane[0] & 0xFF
            right = good(at, address)
            if at.name != chip.name:
                assert outputs == right
            elif before != right:
                assert (outputs ^ right) & ~(before ^ right) == 0, "a bit that is neither old nor new"
                total += 1
                late += outputs != right
                whole += outputs == before
    # Half of the late words are wholly old; a mixture may by chance be all new.
    assert total > 500 and 0.33 < late / total < 0.41 and 0.19 < whole / total < 0.3


@pytest.mark.parametrize("model", ["failed-cells", "lost-charge"])
def test_cells(machine, model):
    fault = inject(machine.name, model, 1)
    wrong = dict(zip(fault.addresses, fault.masks, strict=True))

    def predict(chip, bank, address, held):
        at = address % chip.words
        return good(chip, address) ^ (wrong.get(at, 0) if chip.name == fault.chip else 0)

    assert Reads(machine, fault).share(predict) == 1.0
    if model == "lost-charge":
        chip = machine.board.chip(fault.chip)
        assert all(good(chip, a) & mask == 0 for a, mask in wrong.items()), (
            "only programmed zeros can go to 1"
        )


def array_position(chip, address, lines):
    return sum(bit(address, line) << place for place, line in enumerate(lines))


@pytest.mark.parametrize("model", ["dead-row", "dead-column"])
def test_array_lines(machine, model):
    for seed in range(4):
        fault = inject(machine.name, model, seed)

        def predict(chip, bank, address, held, fault=fault):
            outputs = good(chip, address)
            lines = chip.rows if model == "dead-row" else chip.columns
            if chip.name == fault.chip and array_position(chip, address, lines) == fault.line:
                for number in range(8) if model == "dead-row" else fault.bits:
                    outputs = put(outputs, number, fault.level)
            return outputs

        assert Reads(machine, fault).share(predict) == 1.0


def test_weak_column_shows_at_its_rate_and_nowhere_else(machine):
    chip = machine.board.roms[0]
    fault = inject(machine.name, "weak-column", 1, f"{chip.name}.D2.column4.high@0.5")
    reads = Reads(machine, fault, cycles=10_000)
    zeros = wrong = 0
    for bank, address, word, _ in reads.rows:
        for at in reads.roms_at(bank, address):
            difference = (word >> at.lane[0] & 0xFF) ^ good(at, address)
            weak = at.name == chip.name and array_position(chip, address, chip.columns) == 4
            assert difference == 0 or (weak and difference == 4)
            if weak and not bit(good(at, address), 2):
                zeros += 1
                wrong += difference == 4
    assert zeros > 30 and 0.3 < wrong / zeros < 0.7


def test_open_data_joint_holds_or_drifts_high(machine):
    for place in ("bus", machine.board.roms[0].name):
        fault = inject(machine.name, "open-data", 1, f"{place}.D1@0.3")
        reads = Reads(machine, fault, cycles=20_000)
        low = drifted = 0
        for bank, address, word, held in reads.rows:
            for chip in reads.roms_at(bank, address):
                right = good(chip, address)
                outputs, before = word >> chip.lane[0] & 0xFF, held >> chip.lane[0] & 0xFF
                concerned = chip.lane[0] == 0 if place == "bus" else chip.name == place
                if not concerned:
                    assert outputs == right
                    continue
                assert (outputs ^ right) & ~2 == 0
                assert bit(outputs, 1) or not bit(before, 1), "a high line does not drift low"
                low += not bit(before, 1)
                drifted += not bit(before, 1) and bit(outputs, 1)
        assert low > 100 and 0.2 < drifted / low < 0.4


def test_the_processor_executes_what_it_received():
    """The reset vector with bit 4 stuck high leads the 6502 to 0xF010 instead of 0xF000."""
    trace = simulate("fellgate", inject("fellgate", "stuck-high", 1, "bus.D4"), 10, seed=1)
    vector = trace.address.tolist().index(0xFFFC)
    assert trace.word[vector : vector + 2].tolist() == [0x10, 0xF0]
    assert (trace.address[vector + 2], trace.kind[vector + 2]) == (0xF010, CODE["fetch"])


def test_ram_stores_what_arrives_over_a_faulty_bus():
    """The processor's pins show the word that it wrote; the RAM gets, and gives back, another."""
    machine = machine_named("fellgate")
    bus = Bus(machine.board, inject("fellgate", "stuck-low", 1, "bus.D1"), Random(1), lambda address: 0)
    bus.write(CODE["write"], 0, 0x0123, 0xFF, 0)
    assert bus.read(CODE["read"], 0, 0x0123, 0) == 0xFD
    assert bus.trace(2, 1e6).word.tolist() == [0xFF, 0xFD]


def test_an_address_fault_at_a_ram_loses_words():
    machine = machine_named("fellgate")
    bus = Bus(
        machine.board, inject("fellgate", "address-stuck-low", 1, "U6.A3"), Random(1), lambda address: 0
    )
    bus.write(CODE["write"], 0, 0x0100, 0x55, 0)
    bus.write(CODE["write"], 0, 0x0108, 0x66, 0)
    assert bus.read(CODE["read"], 0, 0x0100, 0) == 0x66


def test_several_faults_at_once_act_together():
    machine = machine_named("saltmarsh")
    fault = machine.inject("dead-row:U11.row3.high+stuck-low:U12.D7", 1)
    assert fault.model == "dead-row+stuck-low"
    rows = machine.board.chip("U11").rows

    def predict(chip, bank, address, held):
        if chip.name == "U11" and array_position(chip, address, rows) == 3:
            return 0xFF
        return good(chip, address) & (0x7F if chip.name == "U12" else 0xFF)

    assert Reads(machine, fault).share(predict) == 1.0


def test_a_fault_is_read_back_from_its_notation(machine):
    for kind in machine.faults():
        for seed in range(4):
            fault = machine.inject(kind.name, seed)
            assert fault.sentence.endswith(".")
            assert machine.inject(fault.notation, 99) == fault
        assert kind.name == "none" or machine.inject(f"{kind.name}:{kind.example}", 1)
    assert machine.inject(machine.default_fault, 1).notation == machine.default_fault


def test_parameters_are_spread_by_the_seed(machine):
    faults = [machine.inject("stuck-high", seed) for seed in range(200)]
    assert {fault.chip for fault in faults} == {"bus", *(chip.name for chip in machine.board.roms)}
    assert len({fault.bits for fault in faults}) == machine.board.word_bits
    lines = [machine.inject("address-swapped", seed).lines for seed in range(20)]
    assert all(b == a + 1 for a, b in lines) and any(x != y for x, y in pairwise(lines))


@pytest.mark.parametrize(
    "text, message",
    [
        ("fire", "No fault is called 'fire' here."),
        ("stuck-high:U99", "'U99' is no chip of this machine."),
        ("stuck-high:U11.D8", "D8 does not name 1 data line here."),
        ("bridged-data-or:U11.D3", "D3 does not name 2 data lines here."),
        ("address-swapped:U11.A3-A3", "A3-A3 does not name 2 address lines here."),
        ("dead-row:U11.row128", "There is no row 128 here."),
        ("dead-row:U15", "U15 is no ROM."),
        ("dead-row:U11.D3", "a data line means nothing"),
        ("stuck-high:U11@0.5", "a rate means nothing"),
        ("weak-column:U11@1.5", "The rate 1.5"),
        ("weak-column:U11@often", "'often'"),
        ("stuck-high:U11.left", "'left' in 'U11.left' says nothing"),
        ("wrong-chip:U11-U12", "U11-U12 are not two ROMs on the same data lines."),
        ("failed-cells:U11.0x1000=0x01", "U11 has no cell 0x1000=0x1."),
        ("wrong-bank:bus.bank2", "There is no bank 2 here."),
        ("weak-column+weak-column", "asks for weak-column twice"),
    ],
)
def test_a_detail_that_does_not_fit_is_refused(text, message):
    with pytest.raises(UsageError) as caught:
        machine_named("saltmarsh").inject(text, 1)
    assert message in str(caught.value)
    assert caught.value.remedy


def test_only_a_machine_with_banks_can_have_the_wrong_one():
    with pytest.raises(UsageError, match="wrong-bank"):
        inject("fellgate", "wrong-bank", 1)


def test_an_unknown_machine_is_refused():
    with pytest.raises(UsageError, match="saltmarsh, fellgate, quarrybank"):
        inject("windermere", "none", 1)
