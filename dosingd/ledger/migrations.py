"""Bringing an older ledger to the newest schema: on a copy, checked, and put in place only when it is whole.

A step may add tables, columns, indices and guards. It must leave the rows as they are: their hashes are what the
witness knows, and the copy's chain is checked against the original's before it takes its place.
Version 1 is the first, so no step exists yet; an older version is one that never was.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from dosingd.errors import LedgerRefused
from dosingd.ledger.audit import audited
from dosingd.ledger.database import SCHEMA_VERSION, beside, connect, number, remove_draft, sync, wal_path

#: From this version to the next: SQL.
STEPS: Mapping[int, str] = {}


def migrate(path: Path, steps: Mapping[int, str] = STEPS, target: int = SCHEMA_VERSION) -> None:
    """Brings the ledger at `path` to `target`; nothing happens to one that is there already.

    The ledger as it was stays beside it, its version in its name. Nobody else may have it open. Raises LedgerRefused
    when a step is missing or the outcome is not whole, sqlite3.Error or OSError when the disk refuses; the ledger is
    then as it was.
    """
    draft = beside(path, ".migrating")
    with closing(connect(path, "rw")) as old:
        version = number(old, "user_version")
        if version >= target:
            return
        if any(step not in steps for step in range(version, target)):
            raise LedgerRefused(f"{path}: ledger version {version} is not one that this dosingd can bring up to date.")
        before = audited(old, path).hash
        remove_draft(draft)
        with closing(connect(draft, "rwc")) as new:
            old.backup(new)
            # Without a log the file is whole by itself when it is put in place; opening begins a log anew.
            new.execute("PRAGMA journal_mode = DELETE")
            _step_up(new, steps, version, target)
            if audited(new, draft).hash != before or new.execute("PRAGMA integrity_check(1)").fetchone()[0] != "ok":
                raise LedgerRefused(
                    f"{path}: bringing it from version {version} to {target} would change its rows or damage it."
                )
    if wal_path(path).exists():
        # A log that outlives its file would be laid over whatever takes the file's name.
        raise LedgerRefused(f"{path}: another program is reading it. End that program, then try again.")
    sync(draft)
    kept = beside(path, f".v{version}")
    kept.unlink(missing_ok=True)
    os.link(path, kept)
    os.replace(draft, path)
    sync(path.parent)


def _step_up(connection: sqlite3.Connection, steps: Mapping[int, str], version: int, target: int) -> None:
    for step in range(version, target):
        connection.executescript(f"BEGIN;\n{steps[step]};\nPRAGMA user_version = {step + 1};\nCOMMIT;")
