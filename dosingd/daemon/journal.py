"""One line an event, in words, to standard error: for the journal with its priority, for a terminal with the time.

Writing may block for ever (a terminal that was stopped, a full pipe), so a thread of its own writes, from a mailbox
that is bounded: a log can be short of lines, and never short of a dose.
"""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable
from contextlib import suppress

#: sd-daemon(3): syslog's levels. The journal keeps what stands before the text.
PRIORITIES = {"error": 3, "warning": 4, "notice": 5, "info": 6}
#: Lines that wait for a reader. More than a day of a healthy rig writes, and 200 kB at most.
MOST_WAITING = 1000
LONGEST_LINE = 1000


class Journal:
    """`say` puts a line into the mailbox; it never waits and never raises."""

    def __init__(self, descriptor: int, *, time_now: Callable[[], str] | None) -> None:
        """`time_now` stands before each line where a person reads; None for the journal, which knows the time."""
        self._descriptor = descriptor
        self._time_now = time_now
        self._lines: queue.Queue[str | None] = queue.Queue(MOST_WAITING)
        self._lost = 0
        self._thread = threading.Thread(target=self._write, name="log", daemon=True)
        self._thread.start()

    def say(self, priority: str, text: str) -> None:
        """One line. What finds the mailbox full is counted, and the count is said when there is room again."""
        line = " ".join(text.split())[:LONGEST_LINE]
        head = f"<{PRIORITIES[priority]}>" if self._time_now is None else f"{self._time_now()} "
        if self._time_now is not None and priority in ("error", "warning"):
            head += f"{priority}: "
        try:
            if self._lost:
                lost = f"{self._lost} lines of the log were lost: nobody read it."
                self._lines.put_nowait(f"{'<4>' if self._time_now is None else ''}{lost}\n")
                self._lost = 0
            self._lines.put_nowait(f"{head}{line}\n")
        except queue.Full:
            self._lost += 1

    def close(self, seconds: float = 1.0) -> None:
        """Write what waits, for so long at most."""
        with suppress(queue.Full):
            self._lines.put_nowait(None)
            self._thread.join(seconds)

    def _write(self) -> None:
        while (line := self._lines.get()) is not None:
            left = line.encode("utf-8", "replace")
            with suppress(OSError):  # nobody reads any more: the daemon goes on without a log
                while left:
                    left = left[os.write(self._descriptor, left) :]
