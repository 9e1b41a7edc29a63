"""Who holds a state directory's lock: whether a daemon runs there, whatever became of its socket.

The lock is looked at and never taken: a daemon that starts meanwhile must find it free. The kernel lists every lock
with its process and its file (proc_locks(5)).
"""

from __future__ import annotations

import os
from pathlib import Path

from dosingd.daemon.early import LOCK_NAME

LOCKS = Path("/proc/locks")


def holder(state: Path, locks: Path = LOCKS) -> int | None:
    """The process that holds the lock of a state directory; None when nobody does, or nobody can tell."""
    path = state / LOCK_NAME
    try:
        lies, listed = path.stat(), locks.read_text("ascii", errors="replace").splitlines()
    except OSError:
        return None
    device = f"{os.major(lies.st_dev):02x}:{os.minor(lies.st_dev):02x}"
    written = _written(path)
    for line in listed:
        words = line.split()
        if len(words) < 6 or words[1] != "FLOCK":  # "->" there: it waits for the lock
            continue
        on, _, inode = words[5].rpartition(":")
        # Layered file systems list their locks under a device that stat does not tell of: there the number that the
        # daemon wrote into the file must be the process as well.
        if inode == str(lies.st_ino) and words[4].isdigit() and (on == device or int(words[4]) == written):
            return int(words[4])
    return None


def _written(path: Path) -> int | None:
    try:
        said = path.read_text("ascii", errors="replace").strip()
    except OSError:
        return None
    return int(said) if said.isdigit() else None
