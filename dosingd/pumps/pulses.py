"""The pretend pins of a bench: their levels outlive the process, as a Raspberry Pi's do, in a file of pulses.

Each change of a level is one line, written where the level changes and before `on` or `off` returns:

    {"channel": "alk", "on": true, "boot_mono_s": 1234.567890}

Imports the standard library alone: a start drives every line low before it imports anything slow.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import threading
from collections.abc import Callable
from pathlib import Path

#: How much of the file's end is read at a start. A line takes some 70 bytes, and one left on is among the last ones.
TAIL_BYTES = 256 * 1024


class Pulses:
    """The file of pulses, held by one process at a time. May be called from any thread."""

    def __init__(self, file: int, now_mono_s: Callable[[], float]) -> None:
        self._file = file
        self._now_mono_s = now_mono_s
        self._lock = threading.RLock()
        self._fresh_line = b""
        #: Lines that could not be written when their level fell: they come before the next one.
        self._owed: list[bytes] = []
        #: The channels whose line was found high, and was driven low by `open`.
        self.left_on: tuple[str, ...] = ()

    @classmethod
    def open(cls, path: Path, now_mono_s: Callable[[], float]) -> Pulses:
        """Take hold of the pretend pins and drive low what is still high. `now_mono_s` gives CLOCK_BOOTTIME in seconds.

        The pulse of a process that was killed ends here. An end before its beginning tells of a reboot between them.
        Raises BlockingIOError when another process holds these pins (its levels are left alone), and OSError when the
        file cannot be read or written.
        """
        file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            pulses = cls(file, now_mono_s)
            begins = max(0, os.fstat(file).st_size - TAIL_BYTES)
            tail = os.pread(file, TAIL_BYTES, begins)
            if tail and not tail.endswith(b"\n"):
                pulses._fresh_line = b"\n"
            pulses.left_on = _left_on(tail)
            for channel in pulses.left_on:
                pulses.log(channel, False)
        except BaseException:
            os.close(file)
            raise
        return pulses

    def log(self, channel: str, on: bool) -> None:
        """Write that a level changed, now. Raises OSError; an `off` is then written before the next line instead."""
        with self._lock:
            head = f'{{"channel": {json.dumps(channel)}, "on": {json.dumps(on)}'
            line = f'{head}, "boot_mono_s": {self._now_mono_s():.6f}}}\n'.encode()
            try:
                self._write(b"".join((*self._owed, line)))
            except OSError:
                if not on:  # the level has fallen, whatever the disk says; an `on` that fails has not risen
                    self._owed.append(line)
                raise
            self._owed.clear()

    def close(self) -> None:
        """Let go of the pins; their levels stay as they are."""
        with self._lock:
            if self._file >= 0:
                os.close(self._file)
                self._file = -1

    def _write(self, lines: bytes) -> None:
        size = os.fstat(self._file).st_size
        whole = self._fresh_line + lines
        written = os.write(self._file, whole)
        if written != len(whole):
            # Nobody else writes here, so the piece can be taken back; if not, the next line begins a fresh one.
            if written:
                self._fresh_line = b"\n"
                os.ftruncate(self._file, size)
                self._fresh_line = whole[: len(whole) - len(lines)]
            raise OSError(errno.ENOSPC, "no space for a whole line")
        self._fresh_line = b""


def _left_on(tail: bytes) -> tuple[str, ...]:
    """The channels whose last line says on. A piece of a line says nothing."""
    last: dict[str, bool] = {}
    for line in tail.splitlines():
        try:
            said = json.loads(line)
            channel, on = said["channel"], said["on"]
        except (ValueError, KeyError, TypeError):
            continue
        if isinstance(channel, str) and isinstance(on, bool):
            last[channel] = on
    return tuple(channel for channel, on in last.items() if on)
