"""The yardstick of the chemistry: check values with their sources, read from reference.yaml beside this file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml

Entry = Mapping[str, Any]
Answer = Callable[[Entry], Any]

ENTRIES: dict[str, Entry] = {
    entry["id"]: entry
    for entry in yaml.safe_load((Path(__file__).parent / "reference.yaml").read_text(encoding="utf-8"))["values"]
}


def _allowed(tol: Any, key: str | None, expected: float) -> float:
    """Half-width of the tolerance. `tol` may name keys of the value, or a relative and an absolute width for all."""
    if not isinstance(tol, Mapping):
        return 0.0
    # Of two names that fit, the longer is meant: delta_pH before pH.
    named = sorted((name for name in tol if key is not None and name in key), key=len)
    if named:
        return float(tol[named[-1]])
    return max(float(tol.get("abs", 0.0)), float(tol.get("rel", 0.0)) * abs(expected))


def _compare(entry: Entry, found: Any, expected: Any, tol: Any, key: str | None) -> None:
    where = f"{entry['id']} ({entry['quantity']}){f' {key}' if key else ''}: {found!r}, reference {expected!r}"
    if isinstance(expected, Mapping):
        assert set(found) == set(expected), where
        for name in expected:
            _compare(entry, found[name], expected[name], tol, str(name))
    elif isinstance(expected, list):
        assert len(found) == len(expected), where
        for one, other in zip(found, expected, strict=True):
            _compare(entry, one, other, tol, key)
    elif isinstance(expected, int | float):
        assert found == pytest.approx(expected, rel=0, abs=_allowed(tol, key, float(expected)) + 1e-12), where
    else:
        assert found == expected, where


def hold(identity: str, found: Any, tol: Mapping[str, float] | None = None) -> None:
    """Fails unless `found` is the reference's value within its tolerance, or within a narrower one given here."""
    entry = ENTRIES[identity]
    _compare(entry, found, entry["value"], tol or entry["tol"], None)
