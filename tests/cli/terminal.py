"""A command on a terminal, as a person meets it: what it says, and what is typed."""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from attrs import define, field

from tests.control.callers import CLOCK, WITHIN_S


@define
class Terminal:
    """A command on a terminal of 80 columns, and what it has said so far."""

    child: subprocess.Popen[bytes]
    end: int
    said: str = field(default="")

    def read_until(self, text: str) -> None:
        """Wait for a text; the test fails when it does not come."""
        self.read_until_one(text)

    def read_until_one(self, *texts: str) -> None:
        """Wait for whichever of some texts comes."""
        ends_s = CLOCK.now().mono_s + WITHIN_S
        while not any(text in self.said for text in texts):
            left_s = ends_s - CLOCK.now().mono_s
            assert left_s > 0, f"none of {texts} came: {self.said!r}"
            if select.select([self.end], [], [], left_s)[0]:
                self.said += os.read(self.end, 65536).decode().replace("\r\n", "\n")

    def type(self, text: str) -> None:
        os.write(self.end, text.encode())

    def interrupt(self) -> None:
        """Ctrl-C, pressed again where the first came in the instant before the line is read, which would wait on."""
        for _ in range(3):
            self.child.send_signal(signal.SIGINT)
            with suppress(subprocess.TimeoutExpired):
                self.child.wait(3.0)
                return

    def hang_up(self) -> None:
        """The window is closed, or the connection lost: reading ends, and whoever sits in it is told (SIGHUP)."""
        os.close(self.end)
        self.end = -1
        self.child.send_signal(signal.SIGHUP)

    def status(self) -> int:
        """Everything that is still said, and the exit status."""
        ends_s = CLOCK.now().mono_s + WITHIN_S
        with suppress(OSError):  # the other end is closed
            while select.select([self.end], [], [], max(0.0, ends_s - CLOCK.now().mono_s))[0]:
                part = os.read(self.end, 65536)
                if not part:
                    break
                self.said += part.decode().replace("\r\n", "\n")
        return self.child.wait(WITHIN_S)


@contextmanager
def terminal(*arguments: str) -> Iterator[Terminal]:
    end, other = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "dosingd", *arguments],
        stdin=other,
        stdout=other,
        stderr=other,
        start_new_session=True,
        # Whoever starts the tests in the background has Ctrl-C ignored in all that follows; a person at a terminal not.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        env={**os.environ, "COLUMNS": "80", "TERM": "dumb"},
    )
    os.close(other)
    screen = Terminal(child, end)
    try:
        yield screen
    finally:
        child.kill()
        child.wait()
        if screen.end >= 0:
            os.close(end)
