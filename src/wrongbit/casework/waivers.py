"""Waivers: a person's reason why words that were wrong need not be read again. Nothing is proved by one."""

from __future__ import annotations

from collections.abc import Sequence

from wrongbit.case.entries import WordsWaived
from wrongbit.casework.proof import Proof
from wrongbit.casework.wanted import parse_wanted
from wrongbit.casework.words import counted, listed
from wrongbit.errors import UsageError
from wrongbit.machine.model import Machine
from wrongbit.units import format_address

NAMED = 6
"""Open addresses that an error names."""


def say_waiver(waived: WordsWaived) -> str:
    """A waiver in a sentence.

    >>> say_waiver(WordsWaived("U1", 0, (0x40, 0x43), "Only the runaway program read them."))
    'Waived, not proved: 2 words read by U1, 0x0040 to 0x0043. Only the runaway program read them.'
    """
    return (
        f"Waived, not proved: {counted(len(waived.addresses), 'word')} read by {waived.processor}, "
        f"{span_text(waived.addresses, 16)}. {waived.why.rstrip('.')}."
    )


def span_text(addresses: Sequence[int], address_bits: int) -> str:
    """The first and the last of rising addresses.

    >>> span_text((64, 67), 16), span_text((64,), 16)
    ('0x0040 to 0x0043', '0x0040')
    """
    ends = [format_address(each, address_bits) for each in (addresses[0], addresses[-1])]
    return " to ".join(dict.fromkeys(ends))


def waiver_of(
    machine: Machine, proof: Proof, where: str, why: str, processor: str | None = None
) -> WordsWaived:
    """A waiver as it is kept, of the words that are open now and of no others.

    Args:
        machine: The machine.
        proof: As it stands.
        where: An address or a range as lists show them: ``0x1F3A``, ``1F00..1FFF``, ``2:1F3A`` in bank 2.
        why: The reason.
        processor: On whose bus; may be left out where it is plain.

    Raises:
        UsageError: No reason is given, the address cannot be read, nothing there is open, or words of several
            banks or processors are.
    """
    reason = " ".join(why.split())
    if not reason:
        raise UsageError(
            f"Why may {where} stay unread?",
            "Give your reason (--why '…'): it stands in journal and report.",
        )
    names = [each.name for each in machine.processor]
    if processor is not None and processor not in names:
        raise UsageError(f"There is no processor {processor!r}.", f"There are: {', '.join(names)}.")
    asked = [each for each in machine.processor if processor in (None, each.name)]
    wanted = parse_wanted(where, max(each.address_bits for each in asked), banked=True)

    def meant(name: str, bank: int, addresses: Sequence[int]) -> list[int]:
        if name not in [each.name for each in asked] or wanted.bank not in (None, bank):
            return []
        return [each for each in addresses if wanted.holds(each)]

    found: dict[tuple[str, int], list[int]] = {}
    for word in proof.uncovered:
        for address in meant(word.processor, word.bank, [word.address]):
            found.setdefault((word.processor, word.bank), []).append(address)
    _unread(proof, found)
    if not found:
        for waived in proof.waived:
            if meant(waived.processor, waived.bank, waived.addresses):
                raise UsageError(
                    f"Entry {waived.entry} waives {where} already.",
                    f"To say it otherwise, withdraw it: wrongbit history FOLDER --withdraw {waived.entry} "
                    "--why '…'.",
                )
        for credited in proof.credited:
            if meant(credited.processor, credited.bank, credited.addresses):
                raise UsageError(
                    f"{where} needs no waiver: a reader saw it right in {listed(credited.chips)}.",
                    "Nothing is to be done.",
                )
        raise UsageError(f"No word that was wrong is open at {where}.", _open_words(machine, proof))
    if len(found) > 1:
        raise UsageError(
            f"Words are open at {where} {listed(tuple(_place(machine, *each) for each in sorted(found)))}.",
            "Waive them one after the other: say on whose bus (--processor), and write 2:1F3A for bank 2.",
        )
    ((name, bank), addresses) = next(iter(found.items()))
    return WordsWaived(name, bank, tuple(sorted(addresses)), reason)


def _unread(proof: Proof, found: dict[tuple[str, int], list[int]]) -> None:
    """Only what fresh captures could have read and did not can be waived."""
    unseen = sorted({name for name, _ in found} - set(proof.looked_at))
    if unseen or not proof.captures_after:
        bus = f"the bus of {listed(tuple(unseen))}" if unseen else "any bus"
        raise UsageError(
            f"No fresh capture looks at {bus} yet: what the repaired machine reads needs no waiver.",
            "Take a capture of the repaired machine and prove with it first.",
        )
    wrong = next(
        (each for each in proof.lines if (each.group, each.verdict) == ("capture", "not proved")), None
    )
    if wrong is not None and not found:
        raise UsageError(
            f"A fresh capture still shows wrong {wrong.title}: {wrong.says}",
            "A waiver is for words that nothing fresh has read, not for words that are wrong.",
        )


def _open_words(machine: Machine, proof: Proof) -> str:
    """The remedy of who named an address at which nothing is open."""
    if not proof.uncovered:
        return "No word is open: there is nothing to waive."
    bits = {each.name: each.address_bits for each in machine.processor}
    named = [format_address(each.address, bits[each.processor]) for each in proof.uncovered[:NAMED]]
    more = len(proof.uncovered) - len(named)
    rest = f" and {more} more, which 'wrongbit prove FOLDER --json' lists" if more > 0 else ""
    return f"Open are: {', '.join(named)}{rest}."


def _place(machine: Machine, processor: str, bank: int) -> str:
    banked = any(region.bank is not None for chip in machine.chip for region in chip.region)
    where = f" in bank {bank if bank >= 0 else 'unknown'}" if banked else ""
    return f"on the bus of {processor}{where}"
