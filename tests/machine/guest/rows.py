"""Prints the ledger's rows as JSON, from a copy of its files, so that nothing of it is touched. Imports nothing of the
project."""

import json
import shutil
import sqlite3
import sys
import tempfile
from pathlib import Path


def main(state: Path) -> None:
    # Not in /tmp, which is cleared in the course of a boot.
    with tempfile.TemporaryDirectory(dir="/run") as place:
        for name in ("ledger.sqlite", "ledger.sqlite-wal"):
            if (state / name).exists():
                shutil.copy(state / name, place)
        ledger = sqlite3.connect(Path(place) / "ledger.sqlite")
        (sound,) = ledger.execute("PRAGMA integrity_check").fetchone()
        rows = ledger.execute(
            "SELECT seq, kind, wall_at_us, boot_id, mono_us, proven_ms, channel, slot, reservation, body FROM rows"
            " ORDER BY seq"
        ).fetchall()
        ledger.close()
    names = ("seq", "kind", "wall_at_us", "boot_id", "mono_us", "proven_ms", "channel", "slot", "reservation")
    told = [dict(zip(names, row, strict=False)) | {"body": json.loads(row[-1])} for row in rows]
    print(json.dumps({"sound": sound, "rows": told}))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
