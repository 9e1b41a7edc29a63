"""A control socket with a desk of the test's own, and callers of it: raw lines, and programs of their own."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from attrs import define, field

from dosingd.clock import SystemClock
from dosingd.control import BOUNDS, CONTROL_NAME, Bounds, ControlSocket, ask
from dosingd.requests import Answer, Request, Status

CLOCK = SystemClock()
#: No test waits longer for what must happen.
WITHIN_S = 10.0
#: A caller who does nothing wrong is served in this time whatever the others do.
SERVED_S = 0.1

Reply = Callable[[Answer], None]


@define
class Served:
    """A socket that is served, what was taken, and what was said to the log."""

    path: Path
    server: ControlSocket
    taken: list[Request] = field(factory=list)
    replies: list[Reply] = field(factory=list)
    said: list[tuple[str, str]] = field(factory=list)
    lines: list[socket.socket] = field(factory=list)

    def clients(self) -> int:
        """How many callers the socket remembers."""
        return len(self.server._clients)

    def ask(self, request: Request | None = None, timeout_s: float = WITHIN_S) -> Answer:
        """The answer that a well-behaved caller gets."""
        return ask(self.path, Status() if request is None else request, timeout_s)

    def served_s(self) -> float:
        """How long such a caller waits now."""
        from_s = CLOCK.now().mono_s
        assert self.ask().status == 0
        return CLOCK.now().mono_s - from_s

    def raw(self) -> socket.socket:
        """A caller of which the test writes every byte."""
        line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.lines.append(line)
        line.connect(str(self.path))  # before the time limit: a full queue is waited for
        line.settimeout(WITHIN_S)
        return line


Take = Callable[[Request, Reply], None]


@contextmanager
def served(
    directory: Path,
    take: Take | None = None,
    *,
    status: Mapping[str, Any] | None = None,
    bounds: Bounds = BOUNDS,
    group: str | None = None,
) -> Iterator[Served]:
    """A served socket in a directory. Status is answered at once, with `status` or `{"ok": true}`, and so is everything
    where there is no `take`."""

    def taking(request: Request, reply: Reply) -> None:
        here.taken.append(request)
        here.replies.append(reply)
        if take is None or isinstance(request, Status):
            reply(Answer(0, {"ok": True} if status is None else status))
        else:
            take(request, reply)

    path = directory / CONTROL_NAME
    here = Served(
        path,
        ControlSocket(path, taking, lambda priority, text: here.said.append((priority, text)), group, bounds=bounds),
    )
    here.server.start()
    try:
        yield here
    finally:
        here.server.stop()
        for line in here.lines:
            line.close()


def until(holds: Callable[[], bool], within_s: float = WITHIN_S) -> None:
    """Wait for what must come true; the test fails when it does not in time."""
    never, ends_s = threading.Event(), CLOCK.now().mono_s + within_s
    while not holds():
        assert CLOCK.now().mono_s < ends_s, "it did not come true in time"
        never.wait(0.002)


def everything(line: socket.socket) -> bytes:
    """What a caller is sent until the other side hangs up."""
    said = b""
    while True:
        try:
            part = line.recv(65536)
        except ConnectionResetError:
            return said
        if not part:
            return said
        said += part


@contextmanager
def program(path: Path, text: str) -> Iterator[subprocess.Popen[str]]:
    """A program of its own, connected to the socket as `line`; it has printed a line by the time it is handed over."""
    lines = (
        f"import os, signal, socket\npath = {str(path)!r}\n"
        f"line = socket.socket(socket.AF_UNIX)\nline.connect(path)\n{text}"
    )
    child = subprocess.Popen([sys.executable, "-c", lines], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        yield child
    finally:
        child.kill()
        child.wait()
        if child.stdout is not None:
            child.stdout.close()
