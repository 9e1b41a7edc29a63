"""The witness: what stands outside the ledger and remembers how far it had come (R3).

A ledger that was deleted, restored from a copy or swapped for another one looks whole in itself. Only something outside
it can tell. The witness holds two slots, each a file of its own: the ledger's id, the number and chained hash of its
newest row, and what was booked to each channel since the ledger was made, closed by a checksum. The older or invalid
slot is the one overwritten, so a write cut at any byte leaves the other slot as it was.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Mapping
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import Protocol

from attrs import field, frozen

#: Both slots are this long for good, so that overwriting one never moves the end of its file.
SLOT_BYTES = 4096
_HEADING = b"dosingd witness 1\n"


@frozen
class Booked:
    """What was booked to a channel since the ledger was made; an open reservation counts in full."""

    volume_ul: int = 0
    motor_ms: int = 0


@frozen
class Mark:
    """How far a ledger had come: its id, and the number and chained hash of a row of it."""

    ledger_id: str
    seq: int
    hash: bytes
    booked: Mapping[str, Booked] = field(factory=dict)


def slot_from_mark(mark: Mark) -> bytes:
    """The slot that holds this mark: heading, JSON, checksum, padding. Raises ValueError when it does not fit."""
    kept = {
        "booked": {channel: [item.volume_ul, item.motor_ms] for channel, item in mark.booked.items()},
        "hash": mark.hash.hex(),
        "ledger": mark.ledger_id,
        "seq": mark.seq,
    }
    text = _HEADING + json.dumps(kept, sort_keys=True).encode() + b"\n"
    slot = text + sha256(text).hexdigest().encode() + b"\n"
    if len(slot) > SLOT_BYTES:
        raise ValueError(f"the witness has no room for {len(mark.booked)} channels")
    return slot.ljust(SLOT_BYTES)


def mark_from_slot(slot: bytes) -> Mark | None:
    """The mark in this slot; None when the slot is empty, torn, damaged or none of ours."""
    lines = slot.split(b"\n", 3)
    if len(lines) != 4 or lines[0] + b"\n" != _HEADING:
        return None
    if sha256(_HEADING + lines[1] + b"\n").hexdigest().encode() != lines[2]:
        return None
    try:
        kept = json.loads(lines[1])
        booked = {channel: Booked(volume_ul, motor_ms) for channel, (volume_ul, motor_ms) in kept["booked"].items()}
        return Mark(kept["ledger"], kept["seq"], bytes.fromhex(kept["hash"]), booked)
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


class Files(Protocol):
    """The calls to the operating system that a witness makes; each raises OSError when it fails."""

    def read(self, path: Path) -> bytes: ...
    def open(self, path: Path, flags: int) -> int: ...
    def size(self, descriptor: int) -> int: ...
    def write_at(self, descriptor: int, data: bytes, offset: int) -> int: ...
    def fsync(self, descriptor: int) -> None: ...
    def close(self, descriptor: int) -> None: ...


class Disk:
    """The files as the operating system has them."""

    def read(self, path: Path) -> bytes:
        return path.read_bytes()

    def open(self, path: Path, flags: int) -> int:
        return os.open(path, flags | os.O_CLOEXEC, stat.S_IRUSR | stat.S_IWUSR | stat.S_IRGRP | stat.S_IROTH)

    def size(self, descriptor: int) -> int:
        return os.fstat(descriptor).st_size

    def write_at(self, descriptor: int, data: bytes, offset: int) -> int:
        return os.pwrite(descriptor, data, offset)

    def fsync(self, descriptor: int) -> None:
        os.fsync(descriptor)

    def close(self, descriptor: int) -> None:
        os.close(descriptor)


class Witness:
    """The two slots in a directory. `advance` returns when the mark is on the disk."""

    def __init__(self, directory: Path, files: Files | None = None) -> None:
        self.directory = directory
        self.paths = (directory / "witness-0", directory / "witness-1")
        self._files: Files = Disk() if files is None else files
        self._next: int | None = None

    def make_place(self) -> None:
        """Makes the directory when it is not there. Raises OSError."""
        self.directory.mkdir(parents=True, exist_ok=True)

    def traces(self) -> tuple[Path, ...]:
        """The slots that hold anything at all, valid or not. Raises OSError when one cannot be read."""
        return tuple(path for path in self.paths if self._read(path))

    def newest(self) -> tuple[Mark, ...]:
        """The mark of the highest valid slot; both when two slots share the number; () when none is valid.

        Raises OSError when a slot is there and cannot be read.
        """
        marks = [mark_from_slot(self._read(path)) for path in self.paths]
        self._next = min(range(len(marks)), key=lambda slot: _seq(marks[slot]))
        highest = max(_seq(mark) for mark in marks)
        return tuple(mark for mark in marks if mark is not None and mark.seq == highest)

    def advance(self, mark: Mark) -> None:
        """Overwrites the older or invalid slot and returns when it is on the disk. Raises OSError or ValueError."""
        if self._next is None:
            self.newest()
        slot = self._next or 0
        self._write(self.paths[slot], slot_from_mark(mark))
        self._next = 1 - slot

    def _read(self, path: Path) -> bytes:
        try:
            return self._files.read(path)
        except FileNotFoundError:
            return b""

    def _write(self, path: Path, slot: bytes) -> None:
        descriptor = self._files.open(path, os.O_WRONLY | os.O_CREAT)
        try:
            made = self._files.size(descriptor) == 0
            offset = 0
            while offset < len(slot):
                offset += self._files.write_at(descriptor, slot[offset:], offset)
            self._files.fsync(descriptor)
        except BaseException:
            with suppress(OSError):
                self._files.close(descriptor)
            raise
        self._files.close(descriptor)
        if made:
            self._sync_directory()

    def _sync_directory(self) -> None:
        # A new file is only there after a power cut when its directory is on the disk too.
        descriptor = self._files.open(self.directory, os.O_RDONLY | os.O_DIRECTORY)
        try:
            self._files.fsync(descriptor)
        finally:
            self._files.close(descriptor)


class MemoryWitness(Witness):
    """A witness of a ledger in memory, for a rehearsal: the same slots, no disk."""

    def __init__(self) -> None:
        super().__init__(Path("memory"))
        self.slots: dict[Path, bytes] = {}

    def make_place(self) -> None:
        return None

    def _read(self, path: Path) -> bytes:
        return self.slots.get(path, b"")

    def _write(self, path: Path, slot: bytes) -> None:
        self.slots[path] = slot


def _seq(mark: Mark | None) -> int:
    return -1 if mark is None else mark.seq
