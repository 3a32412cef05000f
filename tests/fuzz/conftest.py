"""What every test of readers under fire needs."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def _no_foreign_garbage() -> Iterator[None]:
    """Nothing of other tests is collected at the bottom of a recursion, where it would fail."""
    gc.collect()
    gc.disable()
    yield
    gc.enable()
