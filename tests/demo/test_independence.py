"""The simulator shares nothing with what diagnoses its captures: only so does a diagnosis mean something."""

import ast
from pathlib import Path

import wrongbit.demo

FORBIDDEN = {"bus", "capture", "compare", "faults", "image", "job", "cli"}


def test_the_demo_imports_no_room_that_reads_or_judges_captures():
    files = list(Path(wrongbit.demo.__file__).parent.rglob("*.py"))
    assert len(files) > 15
    for file in files:
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            rooms = {name.split(".")[1] for name in names if name.startswith("wrongbit.")}
            assert not rooms & FORBIDDEN, f"{file.name}: {rooms & FORBIDDEN}"
