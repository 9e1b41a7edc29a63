"""The base plan, plans with some of its lines replaced, and the kinds of fault that tests/plan/faults/ holds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import yaml

HERE = Path(__file__).parent
BASE = (HERE / "base.yaml").read_text(encoding="utf-8").split("\n")


def _kinds() -> Iterator[tuple[str, list[Any]]]:
    for file in sorted((HERE / "faults").glob("*.yaml")):
        for kind, cases in yaml.safe_load(file.read_text(encoding="utf-8")).items():
            yield f"{file.stem}: {kind}", cases


KINDS = list(_kinds())


def edited(edit: Mapping[Any, Any]) -> bytes:
    """The base plan with some of its lines replaced, as tests/plan/faults/README.md says."""
    if "text" in edit:
        return str(edit["text"]).encode()
    lines: list[str] = list(BASE)
    if "latin1" in edit:
        return str(edit["latin1"]).encode("latin-1") + "\n".join(["", *lines[1:]]).encode()
    for where, text in edit.items():
        first, _, last = str(where).partition("-")
        for number in range(int(first), int(last or first) + 1):
            lines[number - 1] = "" if text is None else text
    return "\n".join(lines).encode()
