"""Small files of JSON in the state directory that may be lost: they spare a person a word said twice, and no dose hangs
on them.

A file is replaced whole, and nobody waits for the disk. What is damaged, too large or not there reads as nothing.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

#: More than any of them ever holds.
MOST_BYTES = 1_000_000


def read(path: Path) -> Any:
    """What the file holds; None where it holds nothing that can be read."""
    try:
        with path.open("rb") as file:
            text = file.read(MOST_BYTES + 1)
        return None if len(text) > MOST_BYTES else json.loads(text)
    except (OSError, ValueError, RecursionError):
        return None


def write(path: Path, data: Any) -> None:
    """Put `data` in its place. Raises OSError; the file is then as it was before."""
    beside = path.with_name(f".{path.name}.new")
    try:
        beside.write_text(json.dumps(data, ensure_ascii=True, separators=(",", ":")), encoding="ascii")
        os.replace(beside, path)
    except OSError:
        beside.unlink(missing_ok=True)
        raise
