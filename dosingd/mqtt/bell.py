"""A bell that wakes a thread out of its `select`. Whoever rings never waits, also when nobody listens any more."""

from __future__ import annotations

import contextlib
import socket
import threading


class Bell:
    """Rung by any thread, listened to by one."""

    def __init__(self) -> None:
        self._ear, self._rope = socket.socketpair()
        self._ear.setblocking(False)
        self._rope.setblocking(False)
        # A descriptor that was closed may be another file's by now: nobody rings while it is being closed.
        self._lock = threading.Lock()
        self._rung = False

    def fileno(self) -> int:
        """What `select` waits for."""
        return self._ear.fileno()

    def ring(self) -> None:
        """Wake the listener. One ring is as good as many."""
        with self._lock, contextlib.suppress(OSError):  # closed: nobody listens any more
            if not self._rung:
                self._rung = True
                self._rope.send(b"\0")

    def hush(self) -> None:
        """The listener is awake, and will look at everything that was rung for before now."""
        with self._lock, contextlib.suppress(OSError):
            if self._rung:
                self._rung = False
                self._ear.recv(16)

    def close(self) -> None:
        """Nobody listens any more; ringing does nothing."""
        with self._lock:
            self._ear.close()
            self._rope.close()
