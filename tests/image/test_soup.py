"""Nothing that a file may hold makes a reader fail other than by its own error."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from image.byte_contents import contents_of, segments
from wrongbit.errors import ImageError
from wrongbit.image.contents import Contents
from wrongbit.image.formats import FORMATS, ListingOptions, intel_hex, s_record

OPTIONS = st.builds(
    ListingOptions,
    st.sampled_from([8, 10, 16]),
    st.sampled_from([8, 10, 16]),
    st.one_of(st.none(), st.integers(1, 64)),
)
PIECES = st.sampled_from(
    ["0000", "0001", "10", "FFFFFFFF", "A9", "ADD", "DB", "X?", "--", "177777", "777", "12-34", ":", ";", "*",
     "\t", " ", "  ", "\n", "\n", "\r\n", "\f", "$", "0x", "h", "r", "/", "é", "S1", "S9030000FC",
     ":00000001FF", "\ufeff", "\x00", "255", "256", "1", "2", "9" * 5000]
)  # fmt: skip
DATA = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=100).map(lambda text: text.encode("utf-8", errors="replace")),
    st.lists(PIECES, max_size=60).map(lambda pieces: "".join(pieces).encode("utf-8")),
    st.lists(PIECES, max_size=60).map(lambda pieces: " ".join(pieces).encode("utf-8")),
    st.lists(PIECES, max_size=30).map(lambda pieces: " ".join(pieces).encode("utf-16")),
)


def sound(contents: Contents, step: int) -> None:
    """What every reader promises."""
    assert len(contents)
    assert step >= 1
    assert not (contents.words & ~contents.known).any()
    assert not (contents.known & ~type(contents.known[0])(contents.mask)).any()


@pytest.mark.parametrize("name", FORMATS)
@settings(max_examples=300)
@given(data=DATA, options=OPTIONS)
def test_soup(name: str, data: bytes, options: ListingOptions) -> None:
    yes, reason = FORMATS[name].recognise(data)  # type: ignore[index]
    assert reason
    assert isinstance(yes, bool)
    try:
        contents, step = FORMATS[name].read(data, "soup", options)  # type: ignore[index]
    except ImageError as error:
        assert error.file == "soup"
        assert error.message
        assert error.remedy
    else:
        sound(contents, step)


@pytest.mark.parametrize("module", [intel_hex, s_record])
@settings(max_examples=200)
@given(parts=segments(), data=st.data())
def test_damaged_records(module: object, parts: list[tuple[int, bytes]], data: st.DataObject) -> None:
    """Bytes cut out, put in or changed anywhere in a sound file."""
    text = bytearray(module.write(contents_of(parts)))  # type: ignore[attr-defined]
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text)))
        text[at : at + data.draw(st.integers(0, 20))] = data.draw(st.binary(max_size=5))
    try:
        sound(module.read(bytes(text), "soup"), 1)  # type: ignore[attr-defined]
    except ImageError as error:
        assert error.file == "soup"
        assert error.remedy
