"""The table of plausible ranges as README prints it.

To renew it: python tests/docs/plausible_table.py
"""

from __future__ import annotations

import sys
from pathlib import Path

README = Path(__file__).parents[2] / "README.md"
HEADING = "### Plausible ranges"


def rows() -> list[str]:
    """The table, a line each, from the one that the program uses."""
    from dosingd.plan.plausible import PLAUSIBLE

    return [
        "| setting | at least | at most |",
        "|---|---|---|",
        *(f"| `{name}` | {span.least} | {span.most} |" for name, span in PLAUSIBLE.items()),
    ]


def rows_in_readme(text: str) -> list[str]:
    """The table that stands below README's heading."""
    section = text.split(HEADING, 1)[1].split("\n#", 1)[0]
    return [line for line in section.splitlines() if line.startswith("|")]


def renewed(text: str) -> str:
    """README with its table made anew."""
    old = "\n".join(rows_in_readme(text))
    return text.replace(old, "\n".join(rows()))


if __name__ == "__main__":
    sys.path.insert(0, str(README.parent))
    README.write_text(renewed(README.read_text(encoding="utf-8")), encoding="utf-8")
