"""What really happened: the pretend pumps' pulses in TRUE time, held against the limits the keeper wrote.

This file shares no code with the program: it imports nothing of it, keeps its own time, its own strengths and its own
idea of what the tubing holds. The ledger is read with sqlite3 and json alone, and only to ask whether a pulse had a
row before it began and whether that row, in the end, booked at least what ran.

A window's limit is the largest that was in force at any moment of the window. A line that stayed high past the end of
its lease after a fault is the fault's own doing: that part counts for booking, gaps and "one pump at a time", and is
left out of the limits, which no ledger can defend against a welded switch.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import Any

from tests.proof.eye import LedgerEye

DAY_S = 86_400.0
#: Whole milliseconds and microlitres are rounded to the safe side, floats are not exact: this much is no breach.
EPS = 1e-3
#: A run may end so late: what a lease allows beyond the run that was asked.
LEASE_MARGIN_S = 0.5
#: A dose waits so long for the pump before it.
MAY_WAIT_S = 300.0


@dataclass(frozen=True)
class Keeper:
    """What the keeper's plan allows, in plain numbers."""

    dose_ul: Mapping[str, float]
    day_ul: Mapping[str, float]
    run_s: Mapping[str, float]
    cup_ul: Mapping[str, float]
    rise_umol: Mapping[str, float]
    gap_s: Mapping[frozenset[str], float]
    daily_umol: Mapping[str, float] = field(default_factory=dict)  #: planned change a day
    daily_ul: Mapping[str, float] = field(default_factory=dict)  #: for channels planned by volume
    per_day_s: float = DAY_S


@dataclass
class Pulse:
    channel: str
    start_s: float
    end_s: float
    ul_per_s: float
    into: str
    seq: int
    row: Mapping[str, Any]
    wall_us: int
    strength: Mapping[str, float]  #: of the reservoir
    lease_end_s: float | None = None  #: set when nobody saw the end: what ran later is the fault's own
    pieces: list[tuple[float, float, Mapping[str, float]]] = field(default_factory=list)

    @property
    def volume_ul(self) -> float:
        return (self.end_s - self.start_s) * self.ul_per_s

    @property
    def fair_end_s(self) -> float:
        return self.end_s if self.lease_end_s is None else min(self.end_s, self.lease_end_s)

    @property
    def fair_ul(self) -> float:
        return (self.fair_end_s - self.start_s) * self.ul_per_s


Span = tuple[float, float, float]  #: from, to, amount per second
Force = Sequence[tuple[float, float]]  #: (since, limit)


def worst_excess(spans: Sequence[Span], force: Force, window_s: float = DAY_S) -> tuple[float, float, float, float]:
    """(excess, from, amount, limit) of the window that is worst against the largest limit in force within it.

    The amount is a piecewise linear function of where the window begins, so its worst lies where an edge of the window
    meets an edge of a span, or of a limit's time in force.
    """
    spans = sorted(span for span in spans if span[1] > span[0])
    if not spans:
        return (-1.0, 0.0, 0.0, 0.0)
    starts = [span[0] for span in spans]
    sums = [0.0, *accumulate((end - start) * rate for start, end, rate in spans)]

    def before(at_s: float) -> float:
        index = bisect_right(starts, at_s)
        if index == 0:
            return 0.0
        start, end, rate = spans[index - 1]
        return sums[index - 1] + (min(at_s, end) - start) * rate

    def largest(from_s: float, to_s: float) -> float:
        best = 0.0
        for index, (since, limit) in enumerate(force):
            until = force[index + 1][0] if index + 1 < len(force) else float("inf")
            if since < to_s and until > from_s:
                best = max(best, limit)
        return best

    edges = {edge for start, end, _ in spans for edge in (start, end)} | {since for since, _ in force}
    begins = edges | {edge - window_s for edge in edges}
    worst = (-float("inf"), 0.0, 0.0, 0.0)
    for from_s in begins:
        to_s = from_s + window_s
        amount, limit = before(to_s) - before(from_s), largest(from_s, to_s)
        worst = max(worst, (amount - limit, from_s, amount, limit))
    return worst


@dataclass
class _Line:
    """What a channel's tubing holds, outlet first."""

    reservoir: Mapping[str, float]
    holds_ul: float
    slugs: list[tuple[float, Mapping[str, float]]] = field(default_factory=list)

    def drawn(self, volume_ul: float) -> list[tuple[float, Mapping[str, float]]]:
        """What leaves the outlet, in order, when so much is pumped."""
        self.slugs.append((volume_ul, self.reservoir))
        out: list[tuple[float, Mapping[str, float]]] = []
        while volume_ul > 1e-9 and self.slugs:
            size, strength = self.slugs[0]
            part = min(size, volume_ul)
            out.append((part, strength))
            volume_ul -= part
            self.slugs[0] = (size - part, strength)
            if size - part <= 1e-9:
                self.slugs.pop(0)
        return out


class Oracle:
    """Told of every change of a line, of every plan, bottle and latch, at true times; asked for breaches."""

    def __init__(self) -> None:
        self.keepers: list[tuple[float, Keeper]] = []
        self.pulses: list[Pulse] = []
        self.faults: list[str] = []
        self.eye: LedgerEye | None = None
        self._on: dict[str, tuple[float, int, int, dict[str, Any]]] = {}
        self._flow: dict[str, float] = {}
        self._into: dict[str, str] = {}
        self._lines: dict[str, _Line] = {}
        self._held: list[list[float]] = []
        self._paused: list[list[float]] = []
        self._relaid: list[float] = []

    # -- told ----------------------------------------------------------------------------------------------

    def plan(self, true_s: float, keeper: Keeper) -> None:
        self.keepers.append((true_s, keeper))
        self._relaid.append(true_s)

    def relaid(self, true_s: float) -> None:
        self._relaid.append(true_s)

    def flow(self, channel: str, ul_per_s: float) -> None:
        self._flow[channel] = ul_per_s

    def outlet(self, channel: str, into: str) -> None:
        self._into[channel] = into

    def bottle(self, channel: str, strength: Mapping[str, float], line_ul: float) -> None:
        """What is in the reservoir from now on; the tubing keeps what it holds."""
        if channel not in self._lines:
            self._lines[channel] = _Line(strength, line_ul, [(line_ul, strength)])
        self._lines[channel].reservoir = strength

    def held(self, true_s: float) -> None:
        self._held.append([true_s, float("inf")])

    def released(self, true_s: float) -> None:
        for span in self._held:
            span[1] = min(span[1], true_s)

    def paused(self, true_s: float, until_s: float) -> None:
        """The newest pause is the one that counts."""
        for span in self._paused:
            span[1] = min(span[1], true_s)
        self._paused.append([true_s, until_s])

    def line(self, channel: str, on: bool, true_s: float, wall_us: int, lease_end_s: float | None = None) -> None:
        """A line went high or low. `lease_end_s` with a low that nobody timed: when it should have been low."""
        if on:
            if self._on:
                self.faults.append(f"{true_s}: {channel} on while {sorted(self._on)} still on")
            seq, kind, body = (0, "reserved", {"channel": channel}) if self.eye is None else self.eye.newest()
            if kind != "reserved" or body["channel"] != channel:
                self.faults.append(f"{true_s}: {channel} on, and the newest row on the disk is {kind} {body}")
            if self.eye is not None and self.eye.witnessed() != seq:
                self.faults.append(f"{true_s}: {channel} on, and the witness has not seen row {seq}")
            self._on[channel] = (true_s, wall_us, seq, body)
            return
        start_s, wall_us, seq, body = self._on.pop(channel)
        tubing = self._lines[channel]
        pulse = Pulse(
            channel,
            start_s,
            true_s,
            self._flow[channel],
            self._into.get(channel, "tank"),
            seq,
            body,
            wall_us,
            dict(tubing.reservoir),
            lease_end_s,
        )
        at_s = start_s
        for volume_ul, strength in tubing.drawn(pulse.volume_ul):
            until_s = at_s + volume_ul / pulse.ul_per_s
            pulse.pieces.append((at_s, min(until_s, pulse.fair_end_s), strength))
            at_s = until_s
        self.pulses.append(pulse)

    # -- asked ---------------------------------------------------------------------------------------------

    def at(self, true_s: float) -> Keeper:
        """The plan in force."""
        return next(keeper for since, keeper in reversed(self.keepers) if since <= true_s + 1e-9)

    def breaches(self) -> list[str]:
        """Everything that was broken, in words; empty when all was well."""
        return [
            *self.faults,
            *self._windows(),
            *self._single(),
            *self._apart(),
            *self._while_stopped(),
            *self._slots(),
            *self._days(),
            *self._unclocked(),
            *self._booked(),
        ]

    def _windows(self) -> list[str]:
        found = []

        def hold(name: str, spans: list[Span], force: Force) -> None:
            excess, from_s, amount, limit = worst_excess(spans, force)
            # Volumes and motor time are booked by whole units, a few of them per pulse.
            if excess > EPS + 1e-9 * limit:
                found.append(f"{name}: {amount:.3f} in the 24 h from {from_s:.3f}, limit {limit:.3f}")

        channels = sorted({pulse.channel for pulse in self.pulses})
        for channel in channels:
            tank = [pulse for pulse in self.pulses if pulse.channel == channel and pulse.into == "tank"]
            cup = [pulse for pulse in self.pulses if pulse.channel == channel and pulse.into == "cup"]
            volume = [(pulse.start_s, pulse.fair_end_s, pulse.ul_per_s) for pulse in tank]
            hold(f"{channel} µL", volume, [(at, k.day_ul.get(channel, 0.0)) for at, k in self.keepers])
            motor = [(pulse.start_s, pulse.fair_end_s, 1.0) for pulse in tank]
            hold(f"{channel} motor s", motor, [(at, k.run_s.get(channel, 0.0)) for at, k in self.keepers])
            cups = [(pulse.start_s, pulse.fair_end_s, pulse.ul_per_s) for pulse in cup]
            hold(f"{channel} cup µL", cups, [(at, 2 * k.cup_ul.get(channel, 0.0)) for at, k in self.keepers])
        for substance in sorted({name for _, keeper in self.keepers for name in keeper.rise_umol}):
            change = [
                (start, end, strength.get(substance, 0.0) * pulse.ul_per_s)
                for pulse in self.pulses
                if pulse.into == "tank"
                for start, end, strength in pulse.pieces
            ]
            hold(f"{substance} µmol", change, self._rise_force(substance))
        return found

    def _rise_force(self, substance: str) -> Force:
        """A plan that limits a substance no more leaves the limit that stood."""
        force: list[tuple[float, float]] = []
        for at, keeper in self.keepers:
            force.append((at, keeper.rise_umol.get(substance, force[-1][1] if force else float("inf"))))
        return force

    def _single(self) -> list[str]:
        found = []
        for pulse in self.pulses:
            keeper = self.at(pulse.start_s)
            if pulse.channel not in keeper.dose_ul:
                found.append(f"{pulse.start_s}: {pulse.channel} ran and is not in the plan")
                continue
            most = keeper.dose_ul[pulse.channel] + (LEASE_MARGIN_S * pulse.ul_per_s if pulse.lease_end_s else 0.0)
            if pulse.into == "tank" and pulse.fair_ul > most + EPS:
                found.append(f"{pulse.start_s}: {pulse.channel} gave {pulse.fair_ul:.1f} µL at once, limit {most:.1f}")
        return found

    def _apart(self) -> list[str]:
        found = []
        ended: dict[str, float] = {}
        for pulse in sorted(self.pulses, key=lambda one: one.start_s):
            gaps = self.at(pulse.start_s).gap_s
            for other, end_s in ended.items():
                gap_s = gaps.get(frozenset((pulse.channel, other)), 0.0) if other != pulse.channel else 0.0
                if gap_s > 0 and pulse.start_s - end_s < gap_s - EPS:
                    found.append(f"{pulse.start_s}: {pulse.channel} {pulse.start_s - end_s:.3f} s after {other}")
            ended[pulse.channel] = pulse.end_s
        return found

    def _while_stopped(self) -> list[str]:
        return [
            f"{pulse.start_s}: {pulse.channel} ran while the rig was held or paused"
            for pulse in self.pulses
            for start_s, end_s in [*self._held, *self._paused]
            if start_s <= pulse.start_s < end_s - EPS
        ]

    def _slots(self) -> list[str]:
        found, seen, rows = [], set(), set()
        for pulse in self.pulses:
            if self.eye is not None and pulse.seq in rows:
                found.append(f"{pulse.start_s}: {pulse.channel} ran twice for row {pulse.seq}")
            rows.add(pulse.seq)
            slot = pulse.row.get("slot")
            if slot is None:
                continue
            if slot in seen:
                found.append(f"{pulse.start_s}: slot {slot} was dosed twice")
            seen.add(slot)
            due_us = pulse.row.get("due_at_us")
            if due_us is not None:
                late_s = (pulse.wall_us - due_us) / 1e6
                if not -EPS <= late_s <= MAY_WAIT_S + EPS:
                    found.append(f"{pulse.start_s}: {slot} began {late_s:.3f} s after it was due")
        return found

    def _days(self) -> list[str]:
        """A dosing day's scheduled doses, at the strength of the reservoir, against the day's planned change."""
        found = []
        spent: dict[tuple[str, str], float] = defaultdict(float)
        spent_ul: dict[tuple[str, str], float] = defaultdict(float)
        for pulse in self.pulses:
            day = pulse.row.get("day")
            keeper = self.at(pulse.start_s)
            name = pulse.channel
            if pulse.row.get("purpose") != "scheduled" or day is None:
                continue
            own = "alkalinity" if "alkalinity" in pulse.strength else next(iter(pulse.strength))
            per_ul = pulse.strength[own]
            margin_ul = 1.0 + EPS
            if pulse.lease_end_s is not None:
                margin_ul += LEASE_MARGIN_S * pulse.ul_per_s
            spent[day, name] += pulse.fair_ul * per_ul
            spent_ul[day, name] += pulse.fair_ul
            if name in keeper.daily_umol:
                if spent[day, name] > keeper.daily_umol[name] + margin_ul * per_ul:
                    planned = f"planned {keeper.daily_umol[name]:.2f}"
                    found.append(f"{name} on {day}: {spent[day, name]:.2f} µmol given by plan, {planned}")
            elif spent_ul[day, name] > keeper.daily_ul[name] + margin_ul:
                # Planned by volume: it stays that volume, whatever the strength of what was poured in since.
                planned = f"planned {keeper.daily_ul[name]:.2f}"
                found.append(f"{name} on {day}: {spent_ul[day, name]:.2f} µL given by plan, {planned}")
            if pulse.lease_end_s is not None:  # booked as asked; what the margin gave is extra
                extra_ul = max(0.0, pulse.fair_ul - pulse.row["asked_ul"])
                spent[day, name] -= extra_ul * per_ul
                spent_ul[day, name] -= extra_ul
        return found

    def _unclocked(self) -> list[str]:
        """Without a clock at most half a day's volume in 24 h, and a dose more for each laying anew."""
        found = []
        blind = [pulse for pulse in self.pulses if pulse.row.get("purpose") == "scheduled" and not pulse.row.get("day")]
        for last in blind:
            since_s = last.end_s - DAY_S
            these = [p for p in blind if p.channel == last.channel and since_s < p.start_s <= last.start_s]
            keepers = [self.at(max(since_s, 0.0)), *(k for at, k in self.keepers if since_s < at <= last.start_s)]
            half_ul = 0.0
            for keeper in keepers:
                if last.channel in keeper.daily_ul:
                    half_ul = max(half_ul, keeper.daily_ul[last.channel] / 2)
                elif last.channel in keeper.daily_umol:
                    weakest = min(p.strength[next(iter(p.strength))] for p in these)
                    half_ul = max(half_ul, keeper.daily_umol[last.channel] / weakest / 2)
            again = 1 + sum(since_s < at <= last.start_s for at in self._relaid)
            total_ul = sum(p.fair_ul for p in these)
            if total_ul > half_ul + again * max(p.fair_ul for p in these) + EPS:
                found.append(
                    f"{last.start_s}: {last.channel} {total_ul:.1f} µL in 24 h without a clock, half {half_ul}"
                )
        return found

    def _booked(self) -> list[str]:
        if self.eye is None:
            return []
        found = []
        settled = self.eye.settlements()
        for pulse in self.pulses:
            row = settled.get(pulse.seq)
            volume_ul, motor_ms = (
                (pulse.row["reserved_ul"], pulse.row["lease_ms"]) if row is None else (row["given_ul"], row["ran_ms"])
            )
            if volume_ul < pulse.volume_ul - EPS:
                found.append(f"{pulse.start_s}: {pulse.channel} pumped {pulse.volume_ul:.3f} µL, booked {volume_ul}")
            if motor_ms < (pulse.end_s - pulse.start_s) * 1000 - EPS:
                found.append(f"{pulse.start_s}: {pulse.channel} ran {pulse.end_s - pulse.start_s} s, booked {motor_ms}")
            if pulse.row["into"] != pulse.into:
                found.append(f"{pulse.start_s}: {pulse.channel} into the {pulse.into}, booked as {pulse.row['into']}")
            if pulse.into == "tank":
                change = (pulse.row if row is None else row)["change_umol"]
                for name in pulse.strength:
                    true = sum((end - at) * pulse.ul_per_s * each.get(name, 0.0) for at, end, each in pulse.pieces)
                    if change.get(name, 0) < true - EPS:
                        found.append(f"{pulse.start_s}: {pulse.channel} added {true:.2f} µmol {name}, booked {change}")
        return found
