"""The files of a witness, recorded or failing on demand."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

from dosingd.ledger import Disk


class RecordingDisk(Disk):
    """The real files, and a list of what was done to them; `at` is told each call before it happens."""

    def __init__(self, at: Callable[[str], None] | None = None) -> None:
        self.calls: list[str] = []
        self._at = at

    def open(self, path: Path, flags: int) -> int:
        self._note(f"open {path.name}")
        return super().open(path, flags)

    def write_at(self, descriptor: int, data: bytes, offset: int) -> int:
        self._note(f"write {_name(descriptor)}")
        return super().write_at(descriptor, data, offset)

    def fsync(self, descriptor: int) -> None:
        self._note(f"fsync {_name(descriptor)}")
        super().fsync(descriptor)

    def close(self, descriptor: int) -> None:
        self._note(f"close {_name(descriptor)}")
        super().close(descriptor)

    def _note(self, call: str) -> None:
        self.calls.append(call)
        if self._at is not None:
            self._at(call)


class FailingDisk(Disk):
    """The real files until the call of the given number, which fails with EIO: once, or like every later one."""

    def __init__(self, fails: int, lasting: bool) -> None:
        self._left = fails
        self._lasting = lasting
        self.failed = False

    def read(self, path: Path) -> bytes:
        self._count()
        return super().read(path)

    def open(self, path: Path, flags: int) -> int:
        self._count()
        return super().open(path, flags)

    def size(self, descriptor: int) -> int:
        self._count()
        return super().size(descriptor)

    def write_at(self, descriptor: int, data: bytes, offset: int) -> int:
        if self._left == 0:
            # A write that fails may have come some way.
            super().write_at(descriptor, data[: len(data) // 2], offset)
        self._count()
        return super().write_at(descriptor, data, offset)

    def fsync(self, descriptor: int) -> None:
        self._count()
        super().fsync(descriptor)

    def close(self, descriptor: int) -> None:
        # The descriptor goes even when closing it reports an error.
        super().close(descriptor)
        self._count()

    def _count(self) -> None:
        self._left -= 1
        if self._left == -1 or (self._lasting and self._left < -1):
            self.failed = True
            raise OSError(errno.EIO, os.strerror(errno.EIO))


def _name(descriptor: int) -> str:
    return Path(os.readlink(f"/proc/self/fd/{descriptor}")).name
