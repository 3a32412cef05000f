"""Values by hand: one by one and in files, with every mistake told where it stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from bringup.machines import machine
from wrongbit.bringup.ladder import Key, rungs_of
from wrongbit.bringup.measured import read_measured
from wrongbit.errors import InputError

RUNGS = rungs_of(machine())


def numbers(*given: str, files: tuple[Path, ...] = ()) -> dict[tuple[str, Key], float]:
    return {name: value.least for name, value in read_measured(given, files, RUNGS).items()}


def test_by_name_and_by_quantity() -> None:
    assert numbers("VCC = 4.9 V", "vcc ripple=40 mV", "VEE = -11,8 V", "PHI0 = 1.01 MHz", "PHI0 = 48 %") == {
        ("VCC", "voltage"): 4.9,
        ("VCC", "ripple"): 0.04,
        ("VEE", "voltage"): -11.8,
        ("PHI0", "frequency"): 1.01e6,
        ("PHI0", "duty"): 48,
    }
    assert numbers("/RESET ended = yes", "/MARK low = 49 us") == {
        ("/RESET", "ended"): 1.0,
        ("/MARK", "low"): 49e6,
    }


@pytest.mark.parametrize("name", ["m.toml", "m.csv", "semicolon.csv"])
def test_files(tmp_path: Path, name: str) -> None:
    texts = {
        "m.toml": 'VCC = "4.9 V"\n"PHI0 duty" = "48 %"\n["/RESET"]\nended = true\nlow = "120 ms"\n',
        "m.csv": "Name,Quantity,Value\nVCC,,4.9 V\nPHI0,duty,48 %\n\n/RESET,ended,yes\n/RESET,low,120 ms\n",
        "semicolon.csv": "name;value\nVCC;4,9 V\nPHI0 duty;48 %\n/RESET ended;yes\n/RESET low;120 ms\n",
    }
    path = tmp_path / name
    path.write_text(texts[name], encoding="utf-8")
    assert numbers(files=(path,)) == {
        ("VCC", "voltage"): 4.9,
        ("PHI0", "duty"): 48,
        ("/RESET", "ended"): 1.0,
        ("/RESET", "low"): 120e9,
    }


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("VCC", "not a measured value"),
        ("= 5 V", "not a measured value"),
        ("VDD = 5 V", "no 'VDD'"),
        ("VCC = 5", "'5' is no value that 'VCC' can have"),
        ("VCC voltage = 5", "not a voltage"),
        ("VCC = 1 MHz", "no value that 'VCC' can have"),
        ("/MARK = 2 ms", "may mean several"),
        ("/RESET ended = perhaps", "neither yes nor no"),
        ("PHI0 = -1 MHz", "negative"),
    ],
)
def test_what_cannot_be_used(given: str, says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        numbers(given)
    assert caught.value.remedy


def test_twice_is_a_mistake() -> None:
    with pytest.raises(InputError, match="given twice"):
        numbers("VCC = 4.9 V", "VCC voltage = 5 V")


@pytest.mark.parametrize(
    ("name", "content", "says", "line"),
    [
        ("m.csv", b"name,quantity,value\nVCC,,4.9 V\nVDD,,5 V\n", "no 'VDD'", 3),
        ("m.csv", b"VCC,4.9 V\n", "lacks the columns", 1),
        ("m.csv", b"\xff\xfe", "not UTF-8", None),
        ("m.csv", b"", "lacks the columns", 1),
        ("m.toml", b"VCC = 4.9\n", "has no unit", None),
        ("m.toml", b"VCC = \n", "not valid TOML", None),
        ("m.csv", b"name,value\n" + b"x" * (1 << 20), "too large", None),
    ],
)
def test_what_is_wrong_in_a_file(
    tmp_path: Path, name: str, content: bytes, says: str, line: int | None
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(InputError, match=says) as caught:
        numbers(files=(path,))
    assert (caught.value.file, caught.value.line) == (str(path), line)


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        numbers(files=(tmp_path / "none.csv",))
