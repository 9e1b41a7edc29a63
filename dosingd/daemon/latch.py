"""The latch's mark: that a run outlived its lease, on the disk before the turn thread can write it into the ledger.

A turn thread that hangs writes no row, and the watchdog ends the daemon for it. So the control loop leaves a file, and
the next start holds the rig before the first dose (R5, R11). That the file lies there is the mark: one that is empty or
cannot be read holds as well. It goes only when the hold is in the ledger, so one that is left over holds and no more.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

LATCH_NAME = "latch"
#: A disk that is full may have room again.
RETRY_S = 1.0
#: What is written of a cause. A mark that is longer, or no text, is damaged, and nobody's terminal shows it.
MOST_BYTES = 1000
#: The cause, where the file does not say it.
UNREADABLE = "A run was not over at the end of its lease when the daemon ended. It was forced off"


class Latch:
    """`make` from the control loop, `booked` from the turn thread after the row, `found` before either has begun."""

    def __init__(self, state: Path, say: Callable[[str, str], None]) -> None:
        self._path, self._say = state / LATCH_NAME, say
        self._asked = 0
        self._counting, self._disk = threading.Lock(), threading.Lock()
        self._over = threading.Event()

    def found(self) -> str | None:
        """Why an earlier daemon was to be held; None: it left no mark."""
        # Whatever lies there is the mark: a link that leads nowhere, or a pipe that nobody writes into, as well.
        try:
            self._path.lstat()
        except FileNotFoundError:
            return None
        except OSError:
            pass
        self._asked += 1
        return _text(self._path) or UNREADABLE

    def make(self, why: str) -> None:
        """Leave the mark. Returns at once: a disk may keep its thread waiting, and not the control loop."""
        with self._counting:
            self._asked += 1
            if self._asked > 1:
                return
            self._over.clear()
        try:
            threading.Thread(target=self._make, args=(why,), name="latch", daemon=True).start()
        except RuntimeError:
            # No thread to be had: every line was driven low before this, so the loop may wait for once.
            self._make(why)

    def booked(self) -> None:
        """The hold is in the ledger. What could not be removed holds the rig once more, after the next start."""
        with self._counting:
            self._asked -= 1
            if self._asked:
                return
            self._over.set()
        with self._disk:
            try:
                self._path.unlink(missing_ok=True)
                _sync(self._path.parent)
            except OSError as fault:
                self._say("warning", f"{self._path}: it could not be removed, so the next start holds the rig: {fault}")

    def _make(self, why: str) -> None:
        said = False
        while True:
            with self._disk:
                if self._over.is_set():
                    return
                try:
                    _put(self._path, why)
                    return
                except OSError as fault:
                    if not said:
                        self._say("error", f"{self._path}: the hold cannot be written down beside the ledger: {fault}")
                    said = True
            self._over.wait(RETRY_S)


def _text(path: Path) -> str:
    """The cause that a mark tells; empty: none that a person can be shown."""
    try:
        file = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
        try:
            kept = os.read(file, MOST_BYTES + 1)
        finally:
            os.close(file)
        text = kept.decode().strip()
    except (OSError, UnicodeDecodeError):
        return ""
    return text if len(kept) <= MOST_BYTES and text.isprintable() else ""


def _put(path: Path, why: str) -> None:
    """The file lies there from the first step on, which is what counts; then its words, then for a power cut."""
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC, 0o640)
    try:
        # Without room for the words the bare file is mark enough.
        with suppress(OSError):
            os.write(file, why.encode()[:MOST_BYTES].decode(errors="ignore").encode())
        os.fsync(file)
    finally:
        os.close(file)
    _sync(path.parent)


def _sync(directory: Path) -> None:
    file = os.open(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(file)
    finally:
        os.close(file)
