"""A comparison of several runs as a page of its own."""

from __future__ import annotations

from pathlib import Path

from harness.describe.cautions import LOCAL_RULES
from harness.report.many import Many
from harness.report.write import environment, replace_file, require_page


def write_many(path: str | Path, many: Many) -> None:
    """Write the page.

    Raises
    ------
    BadInput : it cannot be written there.
    """
    require_page(Path(path))
    page = environment().get_template("many.html").render(many=many, local_rules=LOCAL_RULES)
    replace_file(Path(path), page, "page")
