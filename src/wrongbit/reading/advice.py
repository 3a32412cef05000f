"""What to do about each fault pattern of a chip in a reader: one row a family."""

from __future__ import annotations

_CONTACT = (
    "Take the chip out, clean its pins and the socket, look for a bent or broken pin, seat it again and read "
    "again; if it stays, read another good chip to clear the reader."
)
_ADDRESS = (
    "Clean and check this pin and its socket contact, read again, and read a good chip of the same type: if "
    "that one fails alike, the line is at fault in the reader."
)
_SETTING = "Set the reader to the chip's own type and size and read it again."
_CELLS = "Read several more passes at the lowest and the highest permitted supply voltage, then rebuild."

ADVICE: dict[str, str] = {
    "output stuck": _CONTACT,
    "output open": _CONTACT,
    "outputs bridged": "Look for solder, dirt or a whisker between these pins and in the socket; read again.",
    "data lines swapped": "The adapter or the reader's cable exchanges two data lines: correct it.",
    "chip address line stuck": _ADDRESS,
    "chip address line open": _ADDRESS,
    "chip address lines bridged": (
        "Look for solder, dirt or a whisker between these pins and in the socket; read again."
    ),
    "chip address lines swapped": (
        "The adapter exchanges two address lines: correct it, or put the words in order when rebuilding."
    ),
    "chip silent": (
        "Check that the chip sits the right way round and in the right place, its supply and its enables "
        "(a mask ROM's selects may be active high); a chip that was in backwards may be dead."
    ),
    "slow data": "Let the reader wait longer for each word and read again.",
    "read too fast": "Use the slow readings only, and let the reader wait longer for each word.",
    "lane inverted": (
        "The file or an adapter inverts: invert it back; check whether the reference itself is inverted."
    ),
    "scattered cells": (
        f"{_CELLS} Many bits wrong in both directions may also mean that the reference is another version."
    ),
    "unrelated contents": "Check label, type and reference: it may be another program, or another version.",
    "lost charge": (
        "Read again at a low supply voltage, where faded cells are likelier to read right (device physics, "
        "not checked), several passes, and rebuild; the contents are safe only in a fresh chip."
    ),
    "dead row": "The row decoder has failed: rebuild these words from elsewhere and fit a replacement.",
    "dead column": "The chip's column line has failed: rebuild these bits and fit a replacement.",
    "weak column": "Read many passes, also at other voltages: the majority may still be right.",
    "blank chip": (
        "Check type, orientation and seat first; if it stays, the chip was erased or never programmed."
    ),
    "wrong device size": _SETTING,
    "part not read": _SETTING,
    "parts exchanged": "Correct the adapter or the file's order; the words themselves are all there.",
    "file in another order": "Put the words in order (interleave or split the file); all of them are there.",
    "bits in another order": "Correct the order of the data lines or of the file's bytes; no bit is lost.",
    "another chip": "Check labels and sockets: two chips may have changed places.",
    "contact comes and goes": _CONTACT,
}
"""Advice by family. Common practice, no source, except where a sentence says otherwise."""

_TWINS = {
    "data line stuck": "output stuck",
    "data line open": "output open",
    "data lines bridged": "outputs bridged",
    "address line stuck": "chip address line stuck",
    "address line open": "chip address line open",
    "address lines bridged": "chip address lines bridged",
    "address lines swapped": "chip address lines swapped",
}
"""A line of the reader and a pin of the chip: what was read cannot tell them apart."""


def twin_of(model: str) -> str:
    """The family at the chip's pin that looks the same as one on the reader's lines, or the family itself."""
    return _TWINS.get(model, model)


def advice_for(model: str) -> str:
    """What to do about a pattern; for two at once, about the first that has advice."""
    found = [ADVICE[name] for part in model.split(" + ") if (name := twin_of(part)) in ADVICE]
    return found[0] if found else ""
