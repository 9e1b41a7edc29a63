"""Where a state directory keeps the ledger and its witness."""

from __future__ import annotations

from pathlib import Path


def ledger_path(state: Path) -> Path:
    """The ledger's file."""
    return state / "ledger.sqlite"


def witness_directory(state: Path) -> Path:
    """Where the witness lies unless --witness names another place."""
    return state / "witness"
