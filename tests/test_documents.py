"""The examples in the documents are what the commands really print; the documents' links lead somewhere."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

from wrongbit.cli.main import VERBS

ROOT = Path(__file__).resolve().parent.parent


def tool(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


EXAMPLES = tool("write_readme_examples")


@pytest.mark.parametrize("path", EXAMPLES.documents(), ids=lambda path: path.name)
def test_examples_are_what_the_commands_print(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert EXAMPLES.rendered(text) == text, "run: python tools/write_readme_examples.py"


def test_the_readme_names_every_verb_and_every_document() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for verb in VERBS:
        assert f"| `{verb.name}` |" in text
    for document in (ROOT / "docs").glob("*.md"):
        assert f"docs/{document.name}" in text, document.name


@pytest.mark.parametrize(
    "path", [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))], ids=lambda p: p.name
)
def test_links_lead_somewhere(path: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", path.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (path.parent / target).exists(), target
