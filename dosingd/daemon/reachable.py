"""Keeps the daemon to be spoken to: it lays the control socket, and lays it anew when it was lost.

Whatever becomes of the socket, the doses go on (R13). The looking is done on a thread of its own, because a disk may
keep it waiting and the control loop waits for nobody.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Protocol

from dosingd.clock import Clock

#: The socket is looked at so often.
LOOK_S = 60.0


class Laid(Protocol):
    """The socket, as it is seen from here."""

    def start(self) -> None: ...
    def stands(self) -> bool: ...
    def stop(self) -> None: ...


class Reachable:
    """`lay` at the start, `turn` from the control loop, `stop` at the end. None of them raises."""

    def __init__(self, line: Laid, clock: Clock, say: Callable[[str, str], None], look_s: float = LOOK_S) -> None:
        self._line, self._clock, self._say, self._look_s = line, clock, say, look_s
        self._look_mono_s = 0.0
        self._said: str | None = None
        self._ended = False
        self._busy = threading.Lock()

    def lay(self) -> None:
        """Lay the socket. One that cannot be laid is said once, and is tried again."""
        with self._busy:
            self._look_mono_s = self._clock.now().mono_s + self._look_s
            if not self._ended:
                self._try()

    def turn(self) -> None:
        """For the control loop: once in a while, have the socket looked at. Never waits."""
        if self._clock.now().mono_s < self._look_mono_s or self._busy.locked():
            return
        self._look_mono_s = self._clock.now().mono_s + self._look_s
        try:
            threading.Thread(target=self.lay, name="reachable", daemon=True).start()
        except RuntimeError:
            return  # no thread to be had now: the next time

    def stop(self) -> None:
        """Take the socket away; none is laid any more."""
        self._ended = True
        mine = self._busy.acquire(timeout=2.0)  # a disk that keeps a look waiting must not keep the daemon
        try:
            self._line.stop()
        finally:
            if mine:
                self._busy.release()

    def _try(self) -> None:
        try:
            if self._line.stands():
                return
            self._line.stop()
            self._line.start()
        except Exception as fault:
            if self._said != str(fault):
                self._said = str(fault)
                self._say("error", f"No command reaches the daemon; it doses on and tries again each minute. {fault}")
            return
        if self._said is not None:
            self._said = None
            self._say("notice", "The commands reach the daemon again.")
