"""The fast and the plain way of reading changes agree, on what is right and on what is not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from wrongbit.capture.formats._vcd_fast import PADDING, FastReader
from wrongbit.capture.formats._vcd_plain import PlainReader
from wrongbit.capture.formats._vcd_words import IGNORED, BodyError, Changes, Slots

CODES = [
    b"!",
    b"#",
    b"$",
    b"b",
    b"0",
    b"x1",
    b"#5",
    b"bb",
    b"r1",
    b"abc",
    b"sevenab",
    b"eightabc",
    b"longer_than_8",
]
WIDTHS = [1, 4, 8, 1, 7, 64, 33, 65, 1, 130, 16, 1, 9]


def slots_of(codes: list[bytes], widths: list[int]) -> Slots:
    """One plane a slot: only the readers are under test."""
    of_code, width = {b"i": IGNORED, b"ignored": IGNORED}, []
    for code, bits in zip(codes, widths, strict=True):
        of_code[code] = len(width)
        width += range(bits, 0, -64)
    count = len(width)
    return Slots(of_code, np.array(width), np.arange(count), np.zeros(count, np.uint64))


SLOTS = slots_of(CODES, WIDTHS)
FAST, PLAIN = FastReader(SLOTS), PlainReader(SLOTS)


def padded(text: bytes) -> np.ndarray:
    """The text as a block: what lies behind it may be anything."""
    return np.frombuffer(b" " * PADDING + text + b"1#bx0123"[:PADDING], np.uint8)


def same(fast: Changes, plain: Changes) -> None:
    assert fast.unfinished == plain.unfinished
    for name in ("ticks", "before", "slot", "value"):
        assert getattr(fast, name).tolist() == getattr(plain, name).tolist(), name
    unknown = np.zeros_like(fast.value) if fast.unknown is None else fast.unknown
    assert unknown.tolist() == (plain.value * 0 if plain.unknown is None else plain.unknown).tolist()


digits = st.text("01", min_size=1, max_size=70) | st.text("01xXzZ", min_size=1, max_size=140)
blanks = st.sampled_from([b" ", b"\n", b"\r\n", b"\t", b"\n\n", b"  ", b" \v\f "])


@st.composite
def right_words(draw: st.DrawFn) -> bytes:
    """Words that are all as they should be."""
    words: list[bytes] = []
    now = 0
    for _ in range(draw(st.integers(0, 30))):
        form = draw(st.sampled_from(["scalar", "vector", "vector", "time", "time", "keyword", "ignored"]))
        number = draw(st.integers(0, len(CODES) - 1))
        if form == "scalar" and WIDTHS[number] <= 64:
            words.append(draw(st.sampled_from([b"0", b"1", b"x", b"X", b"z", b"Z"])) + CODES[number])
        elif form == "vector":
            letter = draw(st.sampled_from(["b", "B"]))
            words += [(letter + draw(digits)[: WIDTHS[number]]).encode(), CODES[number]]
        elif form == "time":
            now += draw(st.integers(0, 20) | st.integers(0, 10**15))
            words.append(b"#" + b"0" * draw(st.integers(0, 1)) + str(now).encode())
        elif form == "keyword":
            words.append(draw(st.sampled_from([b"$dumpvars", b"$dumpall", b"$dumpoff", b"$dumpon", b"$end"])))
        else:
            words += draw(
                st.sampled_from([[b"r-1.5e3", b"i"], [b"shello", b"ignored"], [b"1i"], [b"b01", b"i"]])
            )
    if draw(st.booleans()):
        words.append(b"b01")  # its id is in the next block
    return b"".join(word + draw(blanks) for word in words)


WRONG = (
    b"#|#1x|#1:|#1/|#-1|#3|#99999999999999999999|#0000000000000000000007|#9223372036854775808|b|b2|b0/|bx0y|"
    b"bx:|q!|0|1?|x|xabcd|1abc_|1longer_than_9|p0|$foo|$dumpvar|$dumpvarz|\xff|r1.5|r1.5 !|sx !|$end!|"
    b"1eightabcd|bbb|b00 !|bxx !|b11111 #|b ! 1!|b0 b0|b0 ?|bb b|b8 #|b19 #"
).split(b"|")
wrong_word = st.sampled_from(WRONG) | st.binary(min_size=1, max_size=12).map(
    lambda raw: bytes(byte for byte in raw if byte > 32) or b"?"
)


@given(right_words())
@example(b"b1 b b0 bb b1 b b0 bb ")
@example(b"B" + b"1" * 64 + b" x1 b" + b"z" * 65 + b" bb ")
@example(b"")
@example(b"\n")
def test_right_words_are_read_the_fast_way_with_the_same_result(text):
    fast = FAST.read(padded(text), 0)
    assert fast is not None
    same(fast, PLAIN.read(text, 0))


@given(st.lists(st.tuples(right_words(), wrong_word, blanks), min_size=1, max_size=4), st.integers(0, 30))
def test_wrong_words_are_left_to_the_plain_way(pieces, now):
    text = b"".join(right + wrong + blank for right, wrong, blank in pieces)
    fast = FAST.read(padded(text), now)
    try:
        plain = PLAIN.read(text, now)
    except BodyError:
        assert fast is None
    else:
        if fast is not None:
            same(fast, plain)


@pytest.mark.parametrize("word", WRONG)
def test_a_wrong_word_alone_is_left_to_the_plain_way(word):
    text = b"0$ #5 b1 b " + word + b" 1! "
    fast = FAST.read(padded(text), 0)
    try:
        plain = PLAIN.read(text, 0)
    except BodyError as error:
        assert text[error.offset :].split()[0] in word.split() or text[error.offset :].startswith(b"1! ")
        assert fast is None
    else:  # some are only rare, such as a time of 22 digits
        assert fast is None
        assert len(plain.slot) >= 2


@pytest.mark.parametrize("text", [b"xbb ", b"#00000000000000000000000012 1! "])
def test_rare_forms_are_read_the_plain_way(text):
    """One x for a vector of over 64 bits; a time of more digits than are loaded."""
    assert FAST.read(padded(text), 0) is None
    assert len(PLAIN.read(text, 0).slot) > 0


def test_many_ids_of_every_length_are_found():
    """Ids as a writer counts them up through the 94 printing characters, past two characters."""
    codes = []
    for number in range(20_000):
        code, rest = b"", number
        while True:
            code += bytes([33 + rest % 94])
            rest = rest // 94 - 1
            if rest < 0:
                break
        codes.append(code)
    slots = slots_of(codes, [1] * len(codes))
    text = b"".join(b"1" + code + b"\n" for code in codes)
    changes = FastReader(slots).read(padded(text), 0)
    assert changes is not None
    assert changes.slot.tolist() == list(range(20_000))
    assert FastReader(slots).read(padded(text + b"1~~~\n"), 0) is None
