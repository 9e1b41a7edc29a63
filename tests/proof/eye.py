"""A look into the ledger's files from outside, with sqlite3 and json alone: it shares no code with the program."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any


class LedgerEye:
    """Looks into the ledger's files from outside."""

    def __init__(self, path: Path, witness: Path) -> None:
        self._path, self._witness = path, witness
        self._connection: sqlite3.Connection | None = None

    def newest(self) -> tuple[int, str, dict[str, Any]]:
        if self._connection is None:
            self._connection = sqlite3.connect(f"file:{self._path}?mode=ro", uri=True)
        found = self._connection.execute("SELECT seq, kind, body FROM rows ORDER BY seq DESC LIMIT 1").fetchone()
        return found[0], found[1], json.loads(found[2])

    def witnessed(self) -> int:
        """The newest row that the witness outside the ledger has seen."""
        seen = 0
        for name in ("witness-0", "witness-1"):
            path = self._witness / name
            if path.exists():
                lines = path.read_bytes().split(b"\n", 3)
                if len(lines) == 4 and lines[1].startswith(b"{"):
                    seen = max(seen, json.loads(lines[1])["seq"])
        return seen

    def settlements(self) -> dict[int, dict[str, Any]]:
        """The settled rows by the reservation they settle."""
        self.close()
        self.newest()
        assert self._connection is not None
        rows = self._connection.execute("SELECT body FROM rows WHERE kind = 'settled'").fetchall()
        return {body["reservation"]: body for body in (json.loads(row[0]) for row in rows)}

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
