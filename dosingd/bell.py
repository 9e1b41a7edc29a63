"""A bell that wakes a thread: a byte through a socket pair, from any thread and from signals. Whoever rings never
waits, also when nobody listens any more."""

from __future__ import annotations

import select
import signal
import socket
import threading
from collections.abc import Callable
from contextlib import suppress


class Bell:
    """`ring` from anywhere but a signal handler; everything else belongs to the one thread that listens."""

    def __init__(self) -> None:
        self._ear, self._rope = socket.socketpair()
        for end in (self._ear, self._rope):
            end.setblocking(False)
        # A descriptor that was closed may be another file's by now: nobody rings while it is being closed.
        self._lock = threading.Lock()
        self._signals: tuple[signal.Signals, ...] | None = None  #: None: none rings this bell

    def fileno(self) -> int:
        """What a `select` of the listener's own waits for."""
        return self._ear.fileno()

    def ring(self) -> None:
        """End the wait, or the next one. A bell that is full rings anyway; one that is closed does nothing."""
        with self._lock, suppress(OSError):
            self._rope.send(b"\0")

    def hush(self) -> None:
        """The listener is awake, and will look at everything that was rung for before now."""
        with suppress(OSError):  # nothing more in it, or closed
            while self._ear.recv(4096):
                pass

    def wait(self, seconds: float) -> None:
        """Until the bell rings, or so long."""
        if select.select([self._ear], [], [], max(0.0, seconds))[0]:
            self.hush()

    def listen_to(self, signals: tuple[signal.Signals, ...], came: Callable[[int], None]) -> None:
        """Have signals ring; for the main thread alone. `came` runs in the midst of whatever that does, so it may only
        set a flag: no lock, no event, no pin."""
        signal.set_wakeup_fd(self._rope.fileno(), warn_on_full_buffer=False)
        for number in signals:
            signal.signal(number, lambda number, _: came(number))
        self._signals = (*(self._signals or ()), *signals)

    def close(self) -> None:
        """Nobody listens any more; ringing does nothing. No signal rings, and none that did does anything: at the
        interpreter's end a handler of Python's own gives way to the kernel's, by which a late one would end the process
        with a status of its own."""
        if self._signals is not None:
            for number in self._signals:
                signal.signal(number, signal.SIG_IGN)
            signal.set_wakeup_fd(-1)
        with self._lock:
            self._ear.close()
            self._rope.close()
