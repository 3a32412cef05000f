"""The performance page says what was measured, and nothing else."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "benchmarks"


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(FOLDER))
    spec = importlib.util.spec_from_file_location("benchmarks_run", FOLDER / "run.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    yield module
    sys.modules.pop("growth", None)


def test_the_page_says_what_was_measured(run: ModuleType) -> None:
    text = run.DOCUMENT.read_text(encoding="utf-8")
    assert run.rendered(text, run.kept_results()) == text, "run: python benchmarks/run.py --write"


def test_ratios_are_what_the_seconds_say() -> None:
    kept = json.loads((FOLDER / "results.json").read_text(encoding="utf-8"))
    assert kept["rows"] and kept["growth"]
    for module, each in kept["rows"].items():
        assert (FOLDER / f"{module}.py").exists()
        for what, ours, reference, ratio in each["rows"]:
            assert ratio == pytest.approx(ours / reference), what


def test_only_measured_parts_are_replaced(run: ModuleType) -> None:
    kept = {
        "rows": {
            "x": {
                "date": "d",
                "machine": "m",
                "libraries": "l",
                "rows": [["copy / numpy", 0.002, 2.0, 0.001]],
            }
        },
        "growth": [{"what": "csv", "size": 1000, "seconds": 0.5, "peak_mb": 50.0, "idle_mb": 40.0}],
    }
    text = f"before\n{run.BEGIN}\nold\n{run.END}\nafter\n"
    new = run.rendered(text, kept)
    assert new.startswith("before\n") and new.endswith("after\n") and "old" not in new
    assert "| copy / numpy | 2 ms | 2.00 s | 0.001 |" in new
    assert "| 1,000 | 0.5000 | 0 | 50 MB |" in new
    assert run.rendered(new, kept) == new
