"""What a killed daemon did to its pins, held against its ledger and against the limits the keeper wrote.

This file and `files.py` share no code with the program: they import nothing of it. They read `pulses.jsonl` by json
and a copy of the ledger by sqlite3, and are told by the test what the plan allows and when no daemon was running. All
of it happened on one machine in one boot, so every time is CLOCK_BOOTTIME in seconds. The true flow is the nominal one.

The limits (`_windows`). A limit of L per 24 hours is a bucket: L/4 deep, filled by F = 3/4 L / 87,000 s, empty when the
ledger is made at t0. A reservation is taken whole, at once, only where the level allows it, and what it gives back is
at most what did not run; so whatever runs within its lease was in the bucket when it was reserved. A run ends at most
S after its reservation (S is the longest that was seen; 540 s may pass). What runs in [a, b] was therefore reserved
after A = max(t0, a - S), when the level was at most min(L/4, F (A - t0)), and

    amount in [a, b]  <=  min(L/4, F (A - t0)) + F (b - A) + excess,

the first term being what the ledger had earned since it was made. The excess is what ran past the end of its lease. A
line keeps its level when its daemon dies or is stopped, as a Raspberry Pi's does, until the next start drives it low or
the daemon goes on; no ledger can defend against that, so it comes on top. Only there: a pulse that outlives its lease
while a daemon runs is a breach by itself (`_leases`), and what is booked in the end covers the excess too (`_booked`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from tests.kills.files import EPS_S, Pulse, Row, pulses_of, rows_of, with_rows, witnessed

#: Volumes are booked in whole microlitres, rounded up: this much is no breach.
EPS_UL = 1e-3
FILL_SPAN_S = 87_000.0
LONGEST_S = 540.0
MAY_WAIT_S = 300.0
#: How late a daemon on a machine that is busy may notice the end of a lease: one turn of its loop.
LATE_S = 0.25
#: How much shorter than asked a dose may be that is booked as given: the pin moves a little after the run is timed.
SHORT_S = 0.25
#: A run that was cut by less than this may be booked as given.
CUT_S = 0.02


@dataclass(frozen=True)
class Keeper:
    """What the keeper's plan says, in plain numbers, by channel; `rise_umol` by substance."""

    ul_per_s: Mapping[str, float]
    dose_ul: Mapping[str, float]
    day_ul: Mapping[str, float]
    run_s: Mapping[str, float]
    gap_s: Mapping[frozenset[str], float]
    rise_umol: Mapping[str, float]
    umol_per_ul: Mapping[str, Mapping[str, float]]


@dataclass(frozen=True)
class Outage:
    """A time without a running daemon: from just before a kill to the next READY, or from a stop to its end."""

    from_s: float
    to_s: float


# -- what is asked ---------------------------------------------------------------------------------------------


def breaches_at_death(state: Path) -> list[str]:
    """Right after a daemon died, before the next one starts: every pulse has its row on the disk, and a line that is
    still high has one that is open and that the witness knows (R1)."""
    pulses, faults = pulses_of(state / "pulses.jsonl")
    rows = rows_of(state)
    pulses = with_rows(pulses, rows)
    faults += _rows(pulses)
    seen = witnessed(state)
    for pulse in pulses:
        if pulse.end_s < float("inf") or pulse.row is None:
            continue
        if seen < pulse.row.seq:
            faults.append(f"{_at(pulse)} is on for row {pulse.row.seq}, and the witness has seen row {seen} only")
    return faults


def breaches(state: Path, keeper: Keeper, outages: Sequence[Outage], stops_s: Sequence[float] = ()) -> list[str]:
    """Everything that was broken, in words, once the last daemon has ended in order; empty when all was well.

    `stops_s`: when a daemon that ran was told to stop by SIGTERM.
    """
    pulses, faults = pulses_of(state / "pulses.jsonl")
    rows = rows_of(state)
    pulses = with_rows(pulses, rows)
    faults += [f"{_at(pulse)} is still on" for pulse in pulses if pulse.end_s == float("inf")]
    pulses = [pulse for pulse in pulses if pulse.end_s < float("inf")]
    return [
        *faults,
        *_rows(pulses),
        *_apart(pulses, keeper),
        *_leases(pulses, outages),
        *_booked(pulses, rows, keeper),
        *_given(pulses, rows, keeper, outages),
        *_single(pulses, keeper),
        *_limits(pulses, rows, keeper),
        *_slots(pulses, rows),
        *_held(pulses, rows),
        *_proven(rows),
        *_stopped(pulses, keeper, stops_s),
        *_witness(rows, witnessed(state)),
    ]


def _at(pulse: Pulse) -> str:
    return f"{pulse.start_s:.6f}: {pulse.channel}"


def _rows(pulses: Sequence[Pulse]) -> list[str]:
    """R1: a pulse lies within a reservation of its own, between the row and its settlement."""
    faults, used = [], set()
    for pulse in pulses:
        if pulse.row is None:
            faults.append(f"{_at(pulse)} ran without a row")
        elif pulse.row.seq in used:
            faults.append(f"{_at(pulse)} ran without a row: row {pulse.row.seq} had its run before")
        else:
            used.add(pulse.row.seq)
            if pulse.settled is not None and pulse.settled.mono_s + EPS_S < pulse.end_s:
                faults.append(f"{_at(pulse)} ran on after its row {pulse.row.seq} was settled")
            if pulse.start_s - pulse.row.mono_s > LONGEST_S:
                faults.append(f"{_at(pulse)} began more than {LONGEST_S:.0f} s after its row {pulse.row.seq}")
    return faults


def _apart(pulses: Sequence[Pulse], keeper: Keeper) -> list[str]:
    """R9, and one pump at a time: from the true end of the other's pulse."""
    faults, ended = [], dict[str, float]()
    for pulse in pulses:
        for other, end_s in ended.items():
            gap_s = 0.0 if other == pulse.channel else keeper.gap_s.get(frozenset((other, pulse.channel)), 0.0)
            if pulse.start_s - end_s < gap_s - EPS_S:
                faults.append(
                    f"{_at(pulse)} began {pulse.start_s - end_s:.6f} s after the end of {other}, gap {gap_s:g} s"
                )
        ended[pulse.channel] = max(pulse.end_s, ended.get(pulse.channel, 0.0))
    return faults


def _leases(pulses: Sequence[Pulse], outages: Sequence[Outage]) -> list[str]:
    """R5: what outlives its lease does so only while no daemon runs."""
    faults = []
    for pulse in pulses:
        due_s = pulse.start_s + pulse.lease_s + LATE_S
        if pulse.end_s > due_s and not any(
            outage.from_s <= due_s and pulse.end_s <= outage.to_s + LATE_S for outage in outages
        ):
            faults.append(f"{_at(pulse)} was on for {pulse.length_s:.3f} s, {pulse.lease_s:.3f} s was its lease")
    return faults


def _booked(pulses: Sequence[Pulse], rows: Sequence[Row], keeper: Keeper) -> list[str]:
    """R1: every reservation is settled in the end, at no less than what ran; so are the sums."""
    closed = {row.reservation for row in rows if row.kind == "settled"}
    faults = [
        f"row {row.seq}: {row.channel} was never settled"
        for row in rows
        if row.kind == "reserved" and row.seq not in closed
    ]
    ran_ul, booked_ul = defaultdict[str, float](float), defaultdict[str | None, float](float)
    for row in rows:
        if row.kind == "settled":
            booked_ul[row.channel] += row.body["given_ul"]
    for pulse in pulses:
        true_ul = pulse.length_s * keeper.ul_per_s[pulse.channel]
        ran_ul[pulse.channel] += true_ul
        if pulse.row is not None and pulse.settled is not None:
            given_ul, ran_ms = pulse.settled.body["given_ul"], pulse.settled.body["ran_ms"]
            if given_ul < true_ul - EPS_UL:
                faults.append(f"{_at(pulse)} gave {true_ul:.3f} µL, row {pulse.settled.seq} books {given_ul}")
            if ran_ms < pulse.length_s * 1000 - EPS_S * 1000:
                faults.append(f"{_at(pulse)} ran {pulse.length_s:.6f} s, row {pulse.settled.seq} books {ran_ms} ms")
    for channel, true_ul in ran_ul.items():
        if booked_ul[channel] < true_ul - EPS_UL:
            faults.append(f"{channel}: {true_ul:.3f} µL ran in all, {booked_ul[channel]} are booked")
    return faults


def _given(pulses: Sequence[Pulse], rows: Sequence[Row], keeper: Keeper, outages: Sequence[Outage]) -> list[str]:
    """What is booked as given was given: a daemon that books and pumps nothing starves the tank."""
    ran_ul = {pulse.row.seq: pulse.length_s * keeper.ul_per_s[pulse.channel] for pulse in pulses if pulse.row}
    reserved = {row.seq: row for row in rows if row.kind == "reserved"}
    faults = []
    for row in rows:
        if row.kind != "settled" or row.body["outcome"] != "given" or row.reservation not in reserved:
            continue
        asked = reserved[row.reservation]
        stood_still = any(outage.from_s < row.mono_s and outage.to_s > asked.mono_s for outage in outages)
        short_ul = asked.body["asked_ul"] - ran_ul.get(asked.seq, 0.0)
        if short_ul > SHORT_S * asked.body["nominal_ul_per_s"] and not stood_still:
            faults.append(f"row {row.seq}: {row.channel} is booked as given, and {short_ul:.3f} µL of it never ran")
    return faults


def _single(pulses: Sequence[Pulse], keeper: Keeper) -> list[str]:
    """R7: no dose above the dose limit, but for the margin of its lease."""
    faults = []
    for pulse in pulses:
        asked_ul = 0.0 if pulse.row is None else pulse.row.body["asked_ul"]
        fair_ul = pulse.fair_s * keeper.ul_per_s[pulse.channel]
        most_ul = keeper.dose_ul[pulse.channel]
        if asked_ul > most_ul or fair_ul > most_ul + 0.501 * keeper.ul_per_s[pulse.channel]:
            faults.append(f"{_at(pulse)}: {asked_ul} µL asked and {fair_ul:.3f} given, dose limit {most_ul:g}")
    return faults


def _limits(pulses: Sequence[Pulse], rows: Sequence[Row], keeper: Keeper) -> list[str]:
    """R2, R7: volume, motor time and the change of the tank, in every window."""
    return [
        f"{name}: {amount:.3f} in {from_s:.3f} to {to_s:.3f}, {allowed:.3f} allowed"
        for name, (amount, allowed, from_s, to_s) in closest(pulses, rows, keeper).items()
        if amount > allowed + EPS_UL
    ]


Window = tuple[float, float, float, float]  #: amount, allowed, from, to


def closest(pulses: Sequence[Pulse], rows: Sequence[Row], keeper: Keeper) -> dict[str, Window]:
    """For every limit the window that came closest to it, or that passed it by most."""
    made_s = rows[0].mono_s
    found = {}
    for channel, limit in keeper.day_ul.items():
        mine = [(pulse, keeper.ul_per_s[channel]) for pulse in pulses if pulse.channel == channel]
        found[f"{channel} µL"] = _windows(mine, limit, made_s)
        found[f"{channel} motor s"] = _windows([(pulse, 1.0) for pulse, _ in mine], keeper.run_s[channel], made_s)
    for substance, limit in keeper.rise_umol.items():
        given = [
            (pulse, keeper.umol_per_ul[pulse.channel][substance] * keeper.ul_per_s[pulse.channel])
            for pulse in pulses
            if substance in keeper.umol_per_ul[pulse.channel]
        ]
        found[f"{substance} µmol"] = _windows(given, limit, made_s)
    return found


def _windows(pulses: Sequence[tuple[Pulse, float]], limit: float, made_s: float) -> Window:
    """The worst window by the formula at the head of this file, for pulses with their amount per second.

    Amounts are linear in both ends of the window, and no pulse is slower than the bucket fills, or its limit could not
    be passed; so the worst begins where a pulse begins, or at the ledger's making, and ends where a pulse ends.
    """
    pulses = [(pulse, rate) for pulse, rate in pulses if pulse.row is not None]
    fill = 0.75 * limit / FILL_SPAN_S
    span_s = max((pulse.start_s + pulse.fair_s - pulse.row.mono_s for pulse, _ in pulses if pulse.row), default=0.0)
    worst: Window | None = None
    amount, best, best_begin = 0.0, -float("inf"), (made_s, 0.0)
    for pulse, rate in pulses:
        # Of a window that begins here: minus what ran before it, minus the level, plus the fill up to A. The window
        # that begins at the ledger's making is the worst of those with an empty bucket, so it is tried each time.
        after_s = max(made_s, pulse.start_s - span_s)
        value = -amount - min(limit / 4, fill * (after_s - made_s)) + fill * after_s
        if value > best:
            best, best_begin = value, (pulse.start_s, amount)
        amount += pulse.fair_s * rate
        end_s = pulse.start_s + pulse.fair_s
        for from_s, before in (best_begin, (made_s, 0.0)):
            after_s = max(made_s, from_s - span_s)
            allowed = min(limit / 4, fill * (after_s - made_s)) + fill * (end_s - after_s)
            if worst is None or amount - before - allowed > worst[0] - worst[1]:
                worst = (amount - before, allowed, from_s, end_s)
    return worst or (0.0, 0.0, made_s, made_s)


def _slots(pulses: Sequence[Pulse], rows: Sequence[Row]) -> list[str]:
    """R6: a slot is consumed once, and no dose begins before it is due or more than 300 s after."""
    faults, seen = [], set()
    for row in rows:
        slot = row.slot or (row.body.get("slot") if row.kind in ("reserved", "not_given") else None)
        if slot is not None and slot in seen:
            faults.append(f"row {row.seq}: slot {slot} was consumed before")
        if slot is not None:
            seen.add(slot)
    for pulse in pulses:
        due_us = None if pulse.row is None else pulse.row.body.get("due_at_us")
        if pulse.row is not None and due_us is not None:
            late_s = (pulse.row.wall_us - due_us) / 1e6 + pulse.start_s - pulse.row.mono_s
            if not -EPS_S <= late_s <= MAY_WAIT_S + LATE_S:
                faults.append(f"{_at(pulse)} began {late_s:.3f} s after it was due")
    return faults


def _held(pulses: Sequence[Pulse], rows: Sequence[Row]) -> list[str]:
    """R11: from a hold to its release nothing is reserved and nothing runs, whoever is killed meanwhile."""
    faults, held = [], None
    holds = []
    for row in rows:
        if row.kind == "held" and held is None:
            held = row
        elif row.kind == "released" and held is not None:
            holds.append((held, row.seq, row.mono_s))
            held = None
        elif row.kind == "reserved" and held is not None:
            faults.append(f"row {row.seq}: {row.channel} was reserved although row {held.seq} holds the rig")
    if held is not None:
        holds.append((held, rows[-1].seq + 1, float("inf")))
    for pulse in pulses:
        for held, _, until_s in holds:
            if held.mono_s < pulse.start_s < until_s:
                faults.append(f"{_at(pulse)} ran although row {held.seq} holds the rig")
    return faults


def _proven(rows: Sequence[Row]) -> list[str]:
    """R2: the ledger begins at zero, and proven time never runs ahead of BOOTTIME, which never stood still here."""
    faults = []
    if rows[0].kind != "ledger_made" or rows[0].proven_ms != 0 or rows[0].body.get("full"):
        faults.append(f"row 1: a ledger begins empty, with no proven time: {rows[0]}")
    faults += [
        f"row {row.seq}: {row.proven_ms} ms are proven, {row.mono_s - rows[0].mono_s:.6f} s passed"
        for row in rows
        if row.proven_ms > (row.mono_s - rows[0].mono_s) * 1000 + EPS_S * 1000
    ]
    faults += [
        f"row {row.seq}: it does not follow row {before.seq}"
        for before, row in pairwise(rows)
        if row.seq != before.seq + 1 or row.proven_ms < before.proven_ms
    ]
    return faults


def stop_delays_s(pulses: Sequence[Pulse], stops_s: Sequence[float]) -> list[float]:
    """How long after each SIGTERM that landed on a pin the line was still high."""
    return [pulse.end_s - stop_s for stop_s in stops_s for pulse in pulses if pulse.start_s <= stop_s < pulse.end_s]


def _stopped(pulses: Sequence[Pulse], keeper: Keeper, stops_s: Sequence[float]) -> list[str]:
    """A run that SIGTERM cut is booked as partial, with what was given."""
    faults = []
    for stop_s in stops_s:
        for pulse in pulses:
            if not pulse.start_s <= stop_s < pulse.end_s or pulse.row is None or pulse.settled is None:
                continue
            given_ul, outcome = pulse.settled.body["given_ul"], pulse.settled.body["outcome"]
            if pulse.length_s < pulse.row.body["run_ms"] / 1000 - CUT_S and outcome != "partial":
                faults.append(f"{_at(pulse)} was cut after {pulse.length_s:.3f} s and is booked as {outcome}")
            if given_ul > (pulse.length_s + SHORT_S) * keeper.ul_per_s[pulse.channel] + 1 and outcome == "partial":
                faults.append(f"{_at(pulse)} was cut after {pulse.length_s:.3f} s and {given_ul} µL are booked")
    return faults


def _witness(rows: Sequence[Row], seen: int) -> list[str]:
    """R3: after an orderly end the witness knows the newest row."""
    return [] if seen == rows[-1].seq else [f"the newest row is {rows[-1].seq}, the witness has seen row {seen}"]
