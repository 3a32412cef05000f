"""The overview, put together from what the journal has and what must be computed."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import wrongbit
from wrongbit.bringup.advice import cautions
from wrongbit.case.entries import CaptureAdded, Entry, FindingRecorded
from wrongbit.casework.keys import key_of
from wrongbit.casework.lines import bare_capture, bare_chip
from wrongbit.casework.overview import (
    CaptureLine,
    ChipLine,
    ConfirmationLine,
    Overview,
    ProposalLine,
    RungLine,
    SuspectLine,
    capture_from,
    proposal_from,
)
from wrongbit.casework.proof import say_state
from wrongbit.casework.words import counted, listed
from wrongbit.errors import WrongbitError
from wrongbit.job import Progress
from wrongbit.machine.model import Chip, Machine

if TYPE_CHECKING:
    from wrongbit.casework.casework import Casework


@dataclass
class _Glance:
    """What is being put together.

    Args:
        work: Of which case.
        machine: As it is now.
        progress: Told how far the reading of a capture is.
        compute: What is not recorded is computed.
        fresh: Everything so far is up to date.
        keys: Of everything that went in.
    """

    work: Casework
    machine: Machine
    progress: Progress | None
    compute: bool
    fresh: bool = True
    keys: list[str] = field(default_factory=list)

    def found(self, what: str, key: str, compute: Callable[[], object]) -> dict[str, Any] | None:
        """The recorded result with a key, computed where it is not there; None where that was not wanted."""
        self.keys.append(key)
        recorded = self.work.recorded(what, key)
        if recorded is None and self.compute:
            compute()
            recorded = self.work.recorded(what, key)
        if recorded is None:
            self.fresh = False
        return recorded

    # -- parts ----------------------------------------------------------------------------------------------

    def rungs(self) -> tuple[tuple[RungLine, ...], str]:
        """The ladder, and what to do about it."""
        if not (self.machine.rail or self.machine.clock or self.machine.input):
            return (), ""
        work = self.work
        found = self.found("ladder", work.ladder_key(), lambda: work.ladder(self.progress))
        if found is None:
            return (), ""
        return tuple(RungLine(**each) for each in found["rungs"]), found["next"]

    def capture(self, entry: Entry, detail: CaptureAdded) -> CaptureLine:
        """One capture; its own mistakes are told in its line."""
        try:
            key = self.work.diagnosis_key(detail)
            found = self.found("diagnose", key, lambda: self.work.diagnosis(entry, self.progress))
        except WrongbitError as error:
            return bare_capture(entry, detail, problem=str(error))
        bare = bare_capture(entry, detail)
        if found is None:
            return replace(bare, problem="Not computed yet.")
        line = capture_from(found["line"])
        # The same file may have been added twice: what was found is the same, whose entry it is is not.
        own = {name: getattr(bare, name) for name in ("entry", "file", "note", "at", "proof")}
        return replace(line, **own)

    def suspects(self) -> dict[str, Any]:
        """Suspects, proposals and conclusion."""
        nothing = {"suspects": [], "doubt": 0.0, "conclusion": "", "proposals": [], "confirmations": [],
                   "notes": []}  # fmt: skip
        if not self.machine.path:
            return nothing
        try:
            key = self.work.weighing_key()
            found = self.found("suspects", key, lambda: self.work.weighing(self.progress))
        except WrongbitError as error:
            return {**nothing, "conclusion": f"The suspects cannot be weighed: {error}"}
        return nothing if found is None else found

    def chip(self, chip: Chip) -> ChipLine:
        """One chip."""
        readings = self.work.readings(chip.name, proof=False)
        bare = self.work.bare_chip(chip.name)
        if not readings or chip.kind != "rom":
            return bare
        try:
            key = self.work.examination_key(chip.name)
            found = self.found("chip", key, lambda: self.work.examination(chip.name))
        except WrongbitError as error:
            problem = str(error)
            return bare_chip(
                chip, self.machine, len(readings), has_reference=bare.has_reference, problem=problem
            )
        if found is None:
            return replace(bare, sentence="Not computed yet.")
        return replace(ChipLine(**found["line"]), readings=len(readings))

    def proved(self) -> str:
        """The verdict of the last proof, where nothing has changed since."""
        found = [each for _, each in self.work.case.of_kind(FindingRecorded) if each.what == "proof"]
        keys: dict[object, str] = {}
        for recorded in reversed(found):  # an older one holds again when what was added since is withdrawn
            with suppress(WrongbitError, KeyError, TypeError):
                result = recorded.result
                numbers = (tuple(result["captures_after"]), tuple(result["readings_after"]))
                if numbers not in keys:
                    keys[numbers] = self.work.proof_key(*numbers)
                if keys[numbers] == recorded.key:
                    return str(result["verdict"])
        return ""


def overview_of(work: Casework, progress: Progress | None, *, compute: bool) -> Overview:
    """See `Casework.overview`."""
    glance = _Glance(work, work.machine, progress, compute)
    machine = glance.machine
    captures = tuple(glance.capture(entry, detail) for entry, detail in work.captures())
    rungs, ladder_next = glance.rungs()
    suspects = glance.suspects()
    proposed = tuple(proposal_from(each) for each in suspects["proposals"])
    chips = tuple(glance.chip(chip) for chip in machine.chip)
    entries = [
        each for each in work.case.entries(withdrawn=True) if not isinstance(each.detail, FindingRecorded)
    ]
    proved = glance.proved()
    return Overview(
        machine=machine.machine.name,
        about=machine.machine.notes,
        cautions=cautions(machine),
        machine_file=work.case.machine_file.name,
        rungs=rungs,
        ladder_next=ladder_next,
        captures=captures,
        suspects=tuple(SuspectLine(**each) for each in suspects["suspects"]),
        doubt=suspects["doubt"],
        conclusion=suspects["conclusion"],
        proposals=proposed,
        confirmations=tuple(ConfirmationLine(**each) for each in suspects["confirmations"]),
        chips=chips,
        questions=_questions(rungs, ladder_next, captures, suspects, proposed, chips, proved),
        proved=proved,
        entries=entries[-1].number if entries else 0,
        up_to_date=glance.fresh,
        key=key_of("overview", glance.keys, proved),
        version=wrongbit.__version__,
    )


def _questions(
    rungs: tuple[RungLine, ...],
    ladder_next: str,
    captures: tuple[CaptureLine, ...],
    suspects: dict[str, Any],
    proposed: tuple[ProposalLine, ...],
    chips: tuple[ChipLine, ...],
    proved: str,
) -> tuple[str, ...]:
    """What is open, the most urgent first."""
    told = []
    outside = next((each for each in rungs if each.verdict == "outside"), None)
    if outside is not None:
        off = outside.off or "outside its limits"
        told.append(f"{outside.title} is {outside.measured}, {off}. {ladder_next}")
    told += [f"{each.file}: {each.problem}" for each in captures if each.problem]
    if not captures:
        told.append("Nothing was captured yet.")
    for each in captures:
        told += [f"{each.file}: check this before the machine: {says}" for says in each.check_first]
        if each.tied and each.fault_seen and not each.proof:
            parts = dict.fromkeys(part for fault in each.findings if fault.tied for part in fault.parts)
            if len(parts) > 1:
                told.append(f"{each.file} does not tell which it is: {listed(tuple(parts), 'or')}.")
    if proposed and proved not in ("proved", "waived"):
        told.append(f"Next: {proposed[0].sentence}")
    blind = [each.name for each in chips if each.kind == "rom" and not each.has_reference]
    if blind:
        told.append(f"Nothing says what {listed(blind)} should hold: a fault there would not show.")
    unmeasured = sum(each.verdict == "not measured" for each in rungs)
    if unmeasured:
        told.append(f"{counted(unmeasured, 'step')} of the ladder not measured.")
    if proved and proved != "proved":
        told.append(say_state(proved))
    return tuple(dict.fromkeys(told))
