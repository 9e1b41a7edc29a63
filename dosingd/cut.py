"""What ends every run at once: an event with its reasons. It stays cut until each reason is mended by who knows it."""

from __future__ import annotations

import threading
from collections import Counter


class Cut:
    """While any reason stands, `event` is set and no pump may run. Safe from any thread; never from a signal handler,
    which may have interrupted one of these very lines."""

    def __init__(self) -> None:
        self.event = threading.Event()
        self._reasons: Counter[str] = Counter()
        self._lock = threading.Lock()

    def make(self, reason: str) -> None:
        """One more reason. The event is set before this returns."""
        with self._lock:
            self._reasons[reason] += 1
            self.event.set()

    def mend(self, reason: str) -> None:
        """The reason is booked or over; the event is cleared with the last of them."""
        with self._lock:
            self._reasons[reason] -= 1
            self._reasons = +self._reasons
            if not self._reasons:
                self.event.clear()

    @property
    def reasons(self) -> tuple[str, ...]:
        """Every reason that stands."""
        with self._lock:
            return tuple(self._reasons)
