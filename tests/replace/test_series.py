"""IEC 60063 values."""

from __future__ import annotations

import pytest

from wrongbit.replace.series import PREFERRED, engineering, is_preferred, preferred_between


def test_the_published_decades() -> None:
    """IEC 60063:2015, as copied by two independent tables."""
    assert PREFERRED["E6"] == (10, 15, 22, 33, 47, 68)
    assert PREFERRED["E12"] == (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
    assert set(PREFERRED["E24"]) - set(PREFERRED["E12"]) == {
        11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91,
    }  # fmt: skip


@pytest.mark.parametrize("value", [4.7e3, 47e-6, 0.1e-6, 680e-12, 8.2, 1e6])
def test_preferred_values(value: float) -> None:
    assert is_preferred(value, "E12")


@pytest.mark.parametrize("value", [5e3, 20e3, 0.0, 4.75e3])
def test_other_values(value: float) -> None:
    assert not is_preferred(value, "E12")


def test_the_nearest_value_between_limits() -> None:
    assert preferred_between(5_250, 275_000, "E12", 10_000) == 10_000
    assert preferred_between(11_000, 20_000, "E12", 10_000) == 12_000
    assert preferred_between(10_100, 11_900, "E12", 10_000) is None


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(4.7e-6, "F", "4.7 µF"), (1e-7, "F", "100 nF"), (1e6, "Ω", "1 MΩ"), (330, "Ω", "330 Ω")],
)
def test_engineering_notation(value: float, unit: str, text: str) -> None:
    assert engineering(value, unit) == text
