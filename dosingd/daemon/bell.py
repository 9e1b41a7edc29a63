"""Wakes the control loop: a byte through a socket pair, from any thread and from signals. Ringing never waits."""

from __future__ import annotations

import select
import signal
import socket
from collections.abc import Callable
from contextlib import suppress


class Bell:
    """`ring` from anywhere; `wait` on the main thread alone."""

    def __init__(self) -> None:
        self._hears, self._rings = socket.socketpair()
        for end in (self._hears, self._rings):
            end.setblocking(False)
        self._listened_to: tuple[signal.Signals, ...] = ()

    def ring(self) -> None:
        """End the wait, or the next one. A bell that is full rings anyway."""
        with suppress(OSError):
            self._rings.send(b"\0")

    def wait(self, seconds: float) -> None:
        """Until the bell rings, or so long."""
        if select.select([self._hears], [], [], max(0.0, seconds))[0]:
            with suppress(BlockingIOError):
                while self._hears.recv(4096):
                    pass

    def listen_to(self, signals: tuple[signal.Signals, ...], came: Callable[[int], None]) -> None:
        """Have signals ring. `came` runs in the midst of whatever the main thread does, so it may only set a flag: no
        lock, no event, no pin."""
        signal.set_wakeup_fd(self._rings.fileno(), warn_on_full_buffer=False)
        for number in signals:
            signal.signal(number, lambda number, _: came(number))
        self._listened_to += signals

    def close(self) -> None:
        """No signal rings any more, and none does anything: at the interpreter's end a handler of Python's own gives
        way to the kernel's, by which a late one would end the process with a status of its own."""
        for number in self._listened_to:
            signal.signal(number, signal.SIG_IGN)
        signal.set_wakeup_fd(-1)
        self._hears.close()
        self._rings.close()
