"""Write the generated parts of the machine file's documentation anew, after a change of the model."""

from pathlib import Path

from wrongbit.machine.reference import BEGIN_REFERENCE, render_reference, render_schema

DOCS = Path(__file__).parents[1] / "docs"


def main() -> None:
    """Write the schema, and the reference below its mark; the text above the mark is written by hand."""
    (DOCS / "machine-file.schema.json").write_text(render_schema(), encoding="utf-8")
    page = DOCS / "machine-file.md"
    introduction, mark, _ = page.read_text(encoding="utf-8").partition(BEGIN_REFERENCE)
    page.write_text(f"{introduction}{mark}{render_reference()}", encoding="utf-8")


if __name__ == "__main__":
    main()
