"""Tells systemd how it stands: sd_notify(3), which is one datagram to the socket in $NOTIFY_SOCKET."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from contextlib import suppress


class Notify:
    """Sends READY, STATUS, WATCHDOG and STOPPING; does nothing where no service manager listens, and never waits."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        """`$WATCHDOG_USEC` counts for the process in `$WATCHDOG_PID` alone (sd_watchdog_enabled(3))."""
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._socket: socket.socket | None = None
        if self._address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
        mine = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        usec = environment.get("WATCHDOG_USEC", "")
        #: How often the watchdog must be fed; None: there is none. A third of its patience, so that one may be lost.
        self.feed_every_s = int(usec) / 3e6 if mine and usec.isdigit() and int(usec) > 0 else None

    def ready(self) -> None:
        """The rig doses."""
        self._send("READY=1")

    def status(self, text: str) -> None:
        """One line for `systemctl status`."""
        self._send(f"STATUS={' '.join(text.split())}")

    def alive(self) -> None:
        """Every lease is good."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """It goes down in order."""
        self._send("STOPPING=1")

    def _send(self, message: str) -> None:
        if self._socket is None:
            return
        # "@" stands for the abstract namespace, whose names begin with a zero byte (sd_notify(3)).
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with suppress(OSError):  # a manager that does not listen must not stop a dose
            self._socket.sendto(message.encode(), address)

    def close(self) -> None:
        """Let the socket go."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
