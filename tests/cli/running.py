"""Carrying out command lines in this process, as the installed command does."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from attrs import frozen

from dosingd.cli.entry import run

ROOT = Path(__file__).parents[2]
LAGOON = str(ROOT / "config" / "lagoon.yaml")
SMALLEST = str(ROOT / "config" / "smallest.yaml")


@frozen
class Said:
    status: int
    out: str
    err: str

    @property
    def data(self) -> Any:
        """The one JSON object on standard output."""
        return json.loads(self.out)


def say(capsys: pytest.CaptureFixture[str], *arguments: str) -> Said:
    """What a command line printed, and its exit status."""
    capsys.readouterr()
    status = run(list(arguments))
    captured = capsys.readouterr()
    return Said(status, captured.out, captured.err)


def altered(path: Path, lines: Sequence[tuple[str, str]], source: str = LAGOON) -> str:
    """A copy of a plan with some texts replaced; each must be there."""
    text = Path(source).read_text(encoding="utf-8")
    for old, new in lines:
        assert old in text, old
        text = text.replace(old, new, 1)
    path.write_text(text, encoding="utf-8")
    return str(path)
