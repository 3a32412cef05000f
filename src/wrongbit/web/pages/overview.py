"""The overview: where the repair stands, and what to do now."""

from __future__ import annotations

from collections.abc import Sequence

from wrongbit.casework.overview import CaptureLine, ChipLine, Overview, ProposalLine, SuspectLine, WrongWord
from wrongbit.casework.proof import say_state
from wrongbit.diagnose.entropy import doubt_text, removes_text
from wrongbit.report.figures import Lane, StripWord, bit_strip, percent
from wrongbit.report.theme import LIGHT
from wrongbit.web.elements import (
    Cell,
    cautions,
    copyable,
    figure,
    folded,
    heading,
    link,
    live,
    paragraph,
    quiet,
    section,
    share_bar,
    table,
    tag,
)
from wrongbit.web.rungs import draw_rungs
from wrongbit.web.workbench import Workbench

SURE = 0.9
"""Share of doubt above which a part is what is to be mended."""

NEGLIGIBLE = 1e-3
"""Share of the doubt below which a part is not named here."""

SUSPECTS, FINDINGS = 8, 4
"""How many are shown here; their own pages show all."""


def page(bench: Workbench) -> None:
    """Put the overview on the page."""
    casework = bench.casework
    live(
        bench,
        "Reading the case",
        casework.overview,
        _draw,
        early=lambda progress: casework.overview(progress, compute=False),
    )


def _draw(overview: Overview) -> None:
    cautions(overview.cautions)
    _now(overview)
    with tag("div", classes="wb-two"):
        with section("Bring-up ladder"):
            if overview.ladder_next:
                paragraph(overview.ladder_next)
            draw_rungs(overview.rungs)
            link("Enter values, or compute a stand-in signal", "/ladder")
        with tag("div"):
            _suspects(overview)
            _next(overview.proposals)
    with section("Captures"):
        if not overview.captures:
            quiet("None yet.")
            link("Bring one in", "/bring_in")
        for each in overview.captures:
            _capture(each)
        _notes(overview.captures)
    _chips(overview.chips)
    _about(overview)


def _notes(captures: Sequence[CaptureLine]) -> None:
    """What the readers noted, each once with the captures that it is about."""
    about: dict[str, list[str]] = {}
    for line in captures:
        for note in line.notes:
            about.setdefault(note, []).append(f"{line.entry}")
    if not about:
        return
    with (
        folded(f"How the files were read ({len(about)} {'note' if len(about) == 1 else 'notes'})"),
        tag("ul"),
    ):
        for note, entries in about.items():
            every = len(captures) > 1 and len(entries) == len(captures)
            which = "every capture" if every else f"{'entry' if len(entries) == 1 else 'entries'} "
            tag("li", f"{which}{'' if every else ', '.join(entries)}: {note}", classes="wb-quiet")


def _now(overview: Overview) -> None:
    """The most urgent thing, large; the rest of what is open below it."""
    with section("What to do now"), tag("div", classes="wb-panel wb-now"):
        if overview.proved in ("proved", "waived", "not proved"):
            paragraph(say_state(overview.proved), classes="wb-big")
            link("See the proof", "/proof")
        else:
            action, target, where = _action(overview)
            paragraph(action, classes="wb-big")
            link(where, target)
        notes = {note for line in overview.captures for note in line.notes}
        questions = [
            each for each in overview.questions if each not in notes and not each.startswith("Next:")
        ]
        if questions:
            heading("Open", 3)
            with tag("ul"):
                for text in questions:
                    tag("li", text)
    if not overview.up_to_date:
        quiet("Not everything is computed yet; it is under way, and will be shown here by itself.")


def _action(overview: Overview) -> tuple[str, str, str]:
    """What to do now, and the page on which it is done with what its link says."""
    if overview.first_outside is not None or not overview.captures:
        if overview.ladder_next and any(each.verdict != "within" for each in overview.rungs):
            return overview.ladder_next, "/ladder", "To the ladder"
        return "Capture the bus, and bring the capture in.", "/bring_in", "Bring it in"
    if overview.proposals:
        return _sentence(overview.proposals[0].sentence), "/measure", "What each outcome would mean"
    if overview.conclusion:
        return _after_the_search(overview)
    return "Read the suspected chip out of its socket.", "/chips", "To the chips"


def _after_the_search(overview: Overview) -> tuple[str, str, str]:
    """Nothing more is to be measured: what is to be mended, and where that is done."""
    top = [each.part for each in overview.suspects if each.tied or each.share > SURE]
    if len(top) != 1:
        return overview.conclusion, "/board", "To the board map"
    if overview.confirmations:
        return (
            f"{overview.conclusion} Make sure of it before it is unsoldered or replaced.",
            "/measure",
            "What would confirm it",
        )
    if any(chip.name == top[0] and chip.kind == "rom" for chip in overview.chips):
        text = f"{overview.conclusion} Replace it, then prove the repair with a fresh capture."
        return text, "/replacement", "Choose what replaces it"
    return (
        f"{overview.conclusion} Mend it, then prove the repair with a fresh capture.",
        "/proof",
        "To the proof",
    )


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _suspects(overview: Overview) -> None:
    with section("Suspects"):
        if overview.conclusion:
            paragraph(overview.conclusion)
        if not overview.suspects:
            quiet("The machine file tells no paths from chip to processor, so that parts cannot be weighed.")
            return
        worth = [each for each in overview.suspects if each.tied or each.share >= NEGLIGIBLE]
        suspects_table(worth[:SUSPECTS])
        quiet(f"Doubt: {doubt_text(overview.doubt)}.")
        link("See them on the board map", "/board")


def suspects_table(suspects: Sequence[SuspectLine]) -> None:
    """Parts with their share of doubt."""
    table(
        ("part", "doubt", "", "how"),
        [
            (
                f"{'▲ ' if each.tied else ''}{each.part}{f' ({each.kind})' if each.kind else ''}",
                percent(each.share),
                _bar(each.share),
                each.way,
            )
            for each in suspects
        ],
        caption="Suspected parts",
        right=(1,),
        stacked=True,
    )


def _bar(share: float) -> Cell:
    return lambda: share_bar(share)


def _next(proposals: Sequence[ProposalLine]) -> None:
    if not proposals:
        return
    with section("Next measurement"):
        best = proposals[0]
        paragraph(_sentence(best.sentence), classes="wb-big")
        quiet(f"{best.minutes:g} min; expected to remove {removes_text(best.gain, best.remaining)}.")
        if best.setting:
            paragraph(best.setting)
        link("What each outcome would mean, and other measurements", "/measure")


def _capture(line: CaptureLine) -> None:
    with tag("article", classes="wb-panel", aria_label=f"capture {line.entry}"):
        heading(f"{line.file}, at {line.point}", 3)
        if line.note:
            quiet(line.note)
        if line.problem:
            paragraph(line.problem, classes="wb-bad-text")
            return
        _counts(line)
        if line.check_first:
            with tag("div", classes="wb-message"):
                tag("strong", "Check the clips first")
                for text in line.check_first:
                    paragraph(text)
        if line.first_wrong is not None:
            _first_wrong(line.first_wrong, line.entry)
        if line.findings:
            _findings(line)


def _counts(line: CaptureLine) -> None:
    with tag("p"):
        if line.differs:
            tag("span", f"▲ {line.differs} of {line.reading} reads differ", classes="wb-bad-text")
        else:
            tag("span", "✓ no wrong word", classes="wb-good-text")
        tag(
            "span",
            f" · {line.agrees} agree · {line.not_known} not known · {line.cycles} cycles · "
            f"{line.judged_share:.0%} judged",
        )


def _first_wrong(word: WrongWord, entry: int) -> None:
    paragraph(word.sentence)
    figure(bit_strip(strip_of(word), LIGHT, title="First wrong word"), says="First wrong word, bit by bit")
    digits = (word.word_bits + 3) // 4
    with tag("p", classes="wb-row"):
        copyable(f"{word.address:0{(word.address_bits + 3) // 4}X}", says="the address")
        copyable(f"{word.expected:0{digits}X}", says="the expected word")
        copyable(f"{word.seen:0{digits}X}", says="the seen word")
        link("See it among the cycles", f"/cycles?capture={entry}&cycle={word.cycle}")


def strip_of(word: WrongWord) -> StripWord:
    """A wrong word as a bit strip."""
    lanes = tuple(Lane(name, lane) for name, lane in zip(word.chips, word.lanes, strict=True))
    whole = (1 << word.word_bits) - 1
    return StripWord(word.word_bits, word.expected, word.judged, word.seen, whole, lanes)


def _findings(line: CaptureLine) -> None:
    heading("What explains it", 4)
    table(
        ("odds", "", "fault"),
        [
            (percent(each.probability), _bar(each.probability), f"{'= ' if each.tied else ''}{each.sentence}")
            for each in [f for f in line.findings if f.tied or f.probability >= NEGLIGIBLE][:FINDINGS]
        ],
        caption="Explanations with their odds",
        right=(0,),
        stacked=True,
    )
    small = sum(each.probability < NEGLIGIBLE and not each.tied for each in line.findings)
    if small:
        quiet(f"{small} more {'is' if small == 1 else 'are'} under 0.1 %.")
    if line.tied:
        quiet("= cannot be told apart by what was captured.")
    if line.remark:
        quiet(line.remark)


def _chips(chips: Sequence[ChipLine]) -> None:
    with section("Chips"):
        table(
            ("chip", "what its readings say", "passes read", "type", "kind", "size"),
            [
                (
                    each.name,
                    each.sentence or "–",
                    each.readings,
                    each.type,
                    each.kind,
                    f"{each.words} × {each.bits}",
                )
                for each in chips
            ],
            caption="Chips",
            right=(2,),
            mono=(0, 5),
            stacked=True,
        )
        link("Readings, chip map and rebuilt contents", "/chips")


def _about(overview: Overview) -> None:
    with section("About"):
        if overview.about:
            paragraph(overview.about)
        quiet(
            f"Machine file {overview.machine_file}; {overview.entries} "
            f"{'entry' if overview.entries == 1 else 'entries'} in the journal; "
            f"computed by wrongbit {overview.version}."
        )
