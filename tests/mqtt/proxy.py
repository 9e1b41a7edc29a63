"""A network between a rig and its broker that can fail, and somebody who listens on the wire.

with Proxy(broker.port) as wire: ...connect to wire.port...; wire.stall() · flow() · cut() · wire.seen
"""

from __future__ import annotations

import selectors
import socket
import threading
from types import TracebackType
from typing import Self

#: CONNACK of version 3.1.1 with the return code "unacceptable protocol version" (section 3.2.2.3).
UNKNOWN_VERSION = b"\x20\x02\x00\x01"


class Proxy:
    """Forwards every connection to a port of this machine, on a thread of its own, and keeps what passes."""

    def __init__(self, to_port: int, *, keep: bool = False, older: bytes | None = None) -> None:
        """With `older` it stands for a broker that knows no version of MQTT above 3.1.1 (section 3.1.2.2): a higher one
        is answered by these bytes, and closed."""
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._door.getsockname()[1]
        #: Every byte that passed, either way, where it is kept.
        self.seen = bytearray()
        #: Connections that were taken.
        self.taken = 0
        self._to_port, self._keep, self._older = to_port, keep, older
        self._first: set[socket.socket] = set()  #: nothing came on these yet
        self._others: dict[socket.socket, socket.socket] = {}
        self._stalled: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._door, selectors.EVENT_READ)
        self._thread = threading.Thread(target=self._forward, name="proxy", daemon=True)

    def stall(self) -> None:
        """From now on nothing more passes on the connections that there are, and nobody is told: as when a router was
        switched off. New ones pass."""
        with self._lock:
            self._stalled |= set(self._others)

    def cut(self) -> None:
        """Every connection ends."""
        with self._lock:
            for one in list(self._others):
                self._drop(one)

    def _forward(self) -> None:
        while not self._ending.is_set():
            for key, _ in self._selector.select(0.02):
                with self._lock:
                    if key.fileobj is self._door:
                        self._take()
                    elif isinstance(key.fileobj, socket.socket) and key.fileobj in self._others:
                        self._pass(key.fileobj)

    def _take(self) -> None:
        near, _ = self._door.accept()
        self.taken += 1
        try:
            far = socket.create_connection(("127.0.0.1", self._to_port), timeout=5)
        except OSError:
            near.close()
            return
        self._first.add(near)
        for one, other in ((near, far), (far, near)):
            self._others[one] = other
            self._selector.register(one, selectors.EVENT_READ)

    def _pass(self, one: socket.socket) -> None:
        if one in self._stalled:
            self._selector.unregister(one)  # what comes stays in the kernel
            return
        try:
            data = one.recv(65_536)
            if one in self._first and self._older is not None and data[8:9] > b"\x04":  # CONNECT's level
                one.sendall(self._older)
                data = b""
            self._first.discard(one)
            if data:
                self._others[one].sendall(data)
        except OSError:
            data = b""
        if self._keep:
            self.seen += data
        if not data:
            self._drop(one)

    def _drop(self, one: socket.socket) -> None:
        other = self._others.pop(one, None)
        if other is None:
            return
        self._others.pop(other, None)
        for each in (one, other):
            self._stalled.discard(each)
            self._first.discard(each)
            if each in self._selector.get_map():
                self._selector.unregister(each)
            each.close()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ending.set()
        self._thread.join()
        self.cut()
        self._selector.close()
        self._door.close()
