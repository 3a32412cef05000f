"""Errors for people: where, what, and what to do."""

import pytest

from wrongbit.errors import (
    CaptureError,
    ImageError,
    InputError,
    MachineFileError,
    UsageError,
    WrongbitError,
)


@pytest.mark.parametrize("kind", [MachineFileError, ImageError, CaptureError])
def test_everything_from_outside_is_an_input_error(kind: type[WrongbitError]) -> None:
    assert issubclass(kind, InputError)
    assert not issubclass(UsageError, InputError)


def test_text_says_where_what_and_what_to_do() -> None:
    error = MachineFileError(
        "'eprom' is given; rom, ram or io is expected.",
        "Write one of these.",
        file="m.toml",
        line=4,
        key="chip[0].kind",
    )
    assert str(error) == (
        "m.toml, line 4, key chip[0].kind: 'eprom' is given; rom, ram or io is expected. Write one of these."
    )


@pytest.mark.parametrize(
    ("places", "where"),
    [
        ({}, ""),
        ({"file": "a.hex"}, "a.hex"),
        ({"file": "a.bin", "byte": 0}, "a.bin, byte 0"),
        ({"line": 3}, "line 3"),
        ({"file": "a.csv", "line": 2, "byte": 17, "key": "x"}, "a.csv, line 2, byte 17, key x"),
    ],
)
def test_place(places: dict[str, object], where: str) -> None:
    assert InputError("m", **places).where() == where  # type: ignore[arg-type]


def test_without_a_place_or_remedy_only_the_message_is_left() -> None:
    assert str(UsageError("It does not fit.")) == "It does not fit."


def test_it_is_raised_and_caught_like_any_exception() -> None:
    with pytest.raises(WrongbitError, match="bad") as caught:
        raise ImageError("bad", notes=("one", "two"))
    assert caught.value.notes == ("one", "two")
    assert caught.value != ImageError("bad", notes=("one", "two"))  # two happenings are never the same
