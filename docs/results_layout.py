"""Writes the tables of docs/results-file.md: ``.venv/bin/python docs/results_layout.py``.

They are made from harness/data/results_layout.toml, to which the tests hold every file.
"""

from collections.abc import Iterator
from pathlib import Path

from harness.results.conform import Field, GroupLayout, described_layout

DOCUMENT = Path(__file__).with_name("results-file.md")
BEGIN = "<!-- made by docs/results_layout.py -->"
END = "<!-- end of what is made -->"


def section() -> str:
    """Give what stands between the marks."""
    schema, groups = described_layout()
    lines = [f"Schema {schema}.", "", "| path | dimension | what |", "|---|---|---|"]
    for group in groups:
        dimension = f"`{group.dimension}`" if group.dimension else "its axes" * group.has_axes
        first = f" (from schema {group.since})" if group.since > 1 else ""
        lines.append(f"| {_paths(group)} | {dimension} | {group.about}{first} |")
    lines += ["", "`…` is a group of `findings` or `earlier`. What stands in each:", ""]
    for group in groups:
        lines += _fields(group)
    return "\n".join(lines).rstrip() + "\n"


def _paths(group: GroupLayout) -> str:
    return ", ".join(f"`{path}`" for path in group.path.split(", "))


def _fields(group: GroupLayout) -> Iterator[str]:
    if not group.attributes and not group.columns:
        return
    yield from (f"**{_paths(group)}**", "", "| name | type | what |", "|---|---|---|")
    for what, fields in (("attribute, ", group.attributes), ("", group.columns)):
        for name, field in fields.items():
            yield f"| `{name}` | {what}{_type(field)} | {field.about} |"
    yield ""


def _type(field: Field) -> str:
    return "JSON" if field.type == "json" else field.type


def replaced(document: str) -> str:
    """Give the document with the section as it should be."""
    before, _, rest = document.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}\n{section()}{END}{after}"


if __name__ == "__main__":
    DOCUMENT.write_text(replaced(DOCUMENT.read_text(encoding="utf-8")), encoding="utf-8")
