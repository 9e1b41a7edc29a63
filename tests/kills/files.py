"""The two files that a daemon leaves, read from outside by json and sqlite3: it shares no code with the program."""

from __future__ import annotations

import json
import shutil
import sqlite3
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

#: Times are written in whole microseconds.
EPS_S = 2e-6


@dataclass(frozen=True)
class Row:
    seq: int
    kind: str
    wall_us: int
    mono_s: float
    proven_ms: int
    channel: str | None
    slot: str | None
    reservation: int | None
    body: Mapping[str, Any]


@dataclass(frozen=True)
class Pulse:
    channel: str
    start_s: float
    end_s: float  #: infinite while it is on
    row: Row | None = None  #: the reservation that it ran for
    settled: Row | None = None

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s

    @property
    def lease_s(self) -> float:
        return 0.0 if self.row is None else self.row.body["lease_ms"] / 1000

    @property
    def fair_s(self) -> float:
        """How long it ran within its lease."""
        return min(self.length_s, self.lease_s)


def pulses_of(path: Path) -> tuple[list[Pulse], list[str]]:
    """Every pulse in order, and what is wrong with the file. A line that is still high has an endless pulse."""
    pulses, faults, on = [], [], dict[str, float]()
    last_s = -1.0
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    for number, line in enumerate(text.splitlines(), 1):
        try:
            said = json.loads(line)
            channel, high, at_s = said["channel"], said["on"], float(said["boot_mono_s"])
        except (ValueError, KeyError, TypeError):
            faults.append(f"pulses, line {number}: {line!r} tells no level")
            continue
        if at_s < last_s:
            faults.append(f"pulses, line {number}: {at_s} comes after {last_s}")
        last_s = at_s
        if high == (channel in on):
            faults.append(f"pulses, line {number}: {channel} goes {'on' if high else 'off'} twice")
        if high:
            on[channel] = at_s
        elif channel in on:
            pulses.append(Pulse(channel, on.pop(channel), at_s))
    pulses += [Pulse(channel, start_s, float("inf")) for channel, start_s in on.items()]
    return sorted(pulses, key=lambda pulse: pulse.start_s), faults


def rows_of(state: Path) -> list[Row]:
    """The ledger's rows as the disk has them, read from a copy so that nothing of it is touched."""
    with tempfile.TemporaryDirectory() as place:
        for name in ("ledger.sqlite", "ledger.sqlite-wal"):
            if (state / name).exists():
                shutil.copy(state / name, place)
        ledger = sqlite3.connect(Path(place) / "ledger.sqlite")
        try:
            found = ledger.execute(
                "SELECT seq, kind, wall_at_us, mono_us, proven_ms, channel, slot, reservation, body FROM rows"
                " ORDER BY seq"
            ).fetchall()
        finally:
            ledger.close()
    return [
        Row(seq, kind, wall_us, mono_us / 1e6, proven_ms, channel, slot, reservation, json.loads(body))
        for seq, kind, wall_us, mono_us, proven_ms, channel, slot, reservation, body in found
    ]


def witnessed(state: Path) -> int:
    """The newest row that the witness beside the ledger has seen."""
    seen = 0
    for name in ("witness-0", "witness-1"):
        path = state / "witness" / name
        lines = path.read_bytes().split(b"\n", 3) if path.exists() else []
        # A slot that was cut in the middle of a write counts for nothing: the other one holds.
        if len(lines) == 4 and sha256(lines[0] + b"\n" + lines[1] + b"\n").hexdigest().encode() == lines[2]:
            seen = max(seen, json.loads(lines[1])["seq"])
    return seen


def with_rows(pulses: Iterable[Pulse], rows: Sequence[Row]) -> list[Pulse]:
    """Each pulse with the newest reservation of its channel that was asked for before it began, and its settlement."""
    reserved = defaultdict[str | None, list[Row]](list)
    settled = {row.reservation: row for row in rows if row.kind == "settled"}
    for row in rows:
        if row.kind == "reserved":
            reserved[row.channel].append(row)
    found = []
    for pulse in pulses:
        before = [row for row in reserved[pulse.channel] if row.mono_s <= pulse.start_s + EPS_S]
        if before:
            pulse = replace(pulse, row=before[-1], settled=settled.get(before[-1].seq))
        found.append(pulse)
    return found
