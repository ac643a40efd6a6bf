"""Descriptions nested until Python gives up are refused in one plain line."""

import pytest

from harness.describe import load_bench, load_unit
from harness.errors import BadInput


@pytest.mark.parametrize("load", [load_unit, load_bench])
@pytest.mark.parametrize(
    "text",
    [
        ".".join(["a"] * 5000) + " = 1\n",
        "a = " + "[" * 3000 + "]" * 3000 + "\n",
        "a = " + "{a=" * 3000 + "1" + "}" * 3000 + "\n",
        "[" + ".".join(["a"] * 5000) + "]\nb = 1\n",
    ],
    ids=["dotted key", "lists", "tables in line", "header"],
)
def test_nested_without_end(tmp_path, load, text: str) -> None:
    file = tmp_path / "deep.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(BadInput) as refused:
        load(file)
    assert "nested too deeply" in str(refused.value)
    assert len(str(refused.value)) < 600
