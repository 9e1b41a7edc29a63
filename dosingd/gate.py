"""The one gate (R4): a request, the books, the plan and a reading of the clocks, to Allowed or Refused.

Rules this room keeps:
- R2, R7: three limits in three units (millilitres, seconds of motor, change of the tank), each a bucket; runs into a
  cup draw on the channel's cup bucket instead.
- R8: every limit that applies is computed; the smallest wins, by name, and the refusal carries the numbers and says
  when it would fit.
- R9: apart is kept from the latest possible end of the other's run, in proven time; the wall clock never shortens it.
- A run into the tank needs a calibration that holds for the pump; into a cup the nominal flow will do.
- What is booked runs: no run of no length, and no dose into the tank that is more lag than flow.
- Into the tank goes only what the plan and the books agree on, and only where the plan's own input, if it has one,
  says that the water moves. An input can refuse and never allow.
- R12: a day's scheduled doses never exceed the day's planned change.
A missing figure refuses; it never means "unlimited".

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from attrs import field, frozen

from dosingd.allowance import RESERVATION_S
from dosingd.books import Books, zone_in_force
from dosingd.calibration import (
    Flow,
    least_ul_of,
    most_ul_from_run_s,
    run_s_from_volume,
    too_small_for,
    volume_ul_from_run_s,
)
from dosingd.daily import asked_umol, daily_change_umol, daily_volume_ul, day_volume_ul, gives
from dosingd.flows import flow_of, valid_calibration
from dosingd.leases import LEASE_MARGIN_S, way_out
from dosingd.plan.model import DailyVolume, Plan
from dosingd.records import Into, Purpose, Reading, Reserved, Substance
from dosingd.strengths import at_outlet, confirm, stock_differs, strengths_of
from dosingd.timetable import quiet_until
from dosingd.words import span_text

#: An answer older than this is void: the turn asks again (the pump before it may have taken its time).
FRESH_S = 2.0
#: A dose may wait so long for the pump before it, or for the disk; then it is missed (R6).
MAY_WAIT_S = 300.0
#: What a reservation may need before the pin moves: the commit, the witness, a busy Pi.
COMMIT_S = 10.0
#: The longest lease: with the commit before it, from reservation to the latest end is 540 s at most (R2).
LONGEST_LEASE_S = RESERVATION_S - COMMIT_S


class Reason(StrEnum):
    """Why the gate said no."""

    HELD = "held"
    PAUSED = "paused"
    BUSY = "busy"
    CLOCK = "clock"
    SESSION = "session by hand"
    QUIET = "quiet"
    CHANNEL = "no such channel"
    CALIBRATION = "no calibration"
    STOCK = "stock differs"
    CIRCULATION = "no circulation"
    VOLUME = "volume"
    SMALLEST = "smallest dose"
    LAG = "lag"
    DOSE_LIMIT = "dose limit"
    LONGEST_RUN = "longest run"
    LATE = "late"
    DAY_LIMIT = "day limit"
    RUN_LIMIT = "run limit"
    RISE_LIMIT = "rise limit"
    CUP_LIMIT = "cup limit"
    DAYS_PLAN = "the day's plan"
    APART = "apart"
    RESERVE = "reservoir reserve"


@frozen
class Request:
    """What is asked of the gate. `day` is the dosing day a scheduled dose counts in; None without a trusted clock."""

    channel: str
    purpose: Purpose
    into: Into
    volume_ul: int
    slot: str | None = None
    due_at: datetime | None = None
    day: date | None = None
    late_s: float = 0.0  #: how long after it was due a scheduled dose is asked for


@frozen
class Allowed:
    """The reservation to commit, and how long to run. Void after FRESH_S."""

    reserved: Reserved
    run_s: float
    lease_s: float
    asked_mono_s: float
    late_s: float = 0.0


@frozen
class Refused:
    """No, for this reason, with the numbers. `fits_in_s`: when it would fit if nothing else ran; None: never."""

    reason: Reason
    text: str
    facts: Mapping[str, object] = field(factory=dict)
    fits_in_s: float | None = None


def ask(
    plan: Plan, books: Books, request: Request, reading: Reading, *, trusted: bool, flowing: bool = False
) -> Allowed | Refused:
    """Whether this may be pumped now, and what to reserve for it. `flowing` is what the plan's circulation input says;
    a plan without one does not ask."""
    channel = plan.channels.get(request.channel)
    if channel is None or books.plan is None or request.channel not in books.plan.channels:
        return Refused(Reason.CHANNEL, f"{request.channel}: no such channel in the plan. To see them: dosingd status")
    proven_ms = books.proven_ms(reading)
    standing = _standing_still(plan, books, request, reading, proven_ms, trusted, flowing)
    if standing is not None:
        return standing
    if request.volume_ul <= 0:
        return Refused(Reason.VOLUME, f"{request.channel}: there is nothing to give in {_ml(request.volume_ul)}.")
    if request.purpose in (Purpose.SCHEDULED, Purpose.MANUAL) and request.volume_ul < channel.pump.smallest_ul:
        return Refused(
            Reason.SMALLEST,
            f"{request.channel}: {_ml(request.volume_ul)} is less than the pump's smallest dose, "
            f"{_ml(channel.pump.smallest_ul)}.",
        )
    flow = flow_of(plan, books, request.channel)
    run_s = run_s_from_volume(request.volume_ul, flow)
    if run_s <= 0 or (request.into is Into.TANK and too_small_for(flow, request.volume_ul)):
        return _lag_decides(request, flow)
    lease_s = run_s + LEASE_MARGIN_S
    reserved_ul = max(request.volume_ul, most_ul_from_run_s(lease_s, flow))
    strength = at_outlet(plan, books, request.channel)
    change = {
        str(substance): math.ceil(reserved_ul * strength.of(substance))
        for substance in (Substance.ALKALINITY, Substance.CALCIUM, Substance.MAGNESIUM)
        if strength is not None and strength.of(substance) > 0 and request.into is Into.TANK
    }
    reserved = Reserved(
        channel=request.channel,
        purpose=request.purpose,
        into=request.into,
        asked_ul=request.volume_ul,
        reserved_ul=reserved_ul,
        run_ms=round(run_s * 1000),
        lease_ms=round(lease_s * 1000),
        # What a lost run is booked by (R1): the faster of what the pump is rated at and what it was measured at.
        nominal_ul_per_s=max(channel.pump.nominal_ul_per_s, flow.ul_per_s),
        change_umol=change,
        asked_umol=asked_umol(plan, request.channel, strengths_of(plan, books), request.volume_ul),
        slot=request.slot,
        due_at=request.due_at,
        day=request.day,
        lag_ul=max(0.0, flow.lag_ul),
    )
    refused = _apart(plan, books, request, proven_ms) or _least_room(plan, books, request, reserved, proven_ms)
    if refused is not None:
        return refused
    return Allowed(reserved, run_s, lease_s, reading.mono_s, request.late_s)


def still_good(
    allowed: Allowed,
    plan: Plan,
    books: Books,
    reserved_at: Reading,
    reading: Reading,
    *,
    trusted: bool,
    flowing: bool = False,
) -> Refused | None:
    """The second look, immediately before the pump starts: None when the reservation may run.

    The reservation is already taken from the buckets, so only what could have changed since is looked at: the latch,
    a pause, the tank's flow, the clock's trust, a quiet time, whether the run would still end within 540 s of its
    reservation, and whether a scheduled dose has become too late.
    """
    reserved = allowed.reserved
    request = Request(
        reserved.channel,
        reserved.purpose,
        reserved.into,
        reserved.asked_ul,
        reserved.slot,
        reserved.due_at,
        reserved.day,
    )
    proven_ms = books.proven_ms(reading)
    refused = _standing_still(plan, books, request, reading, proven_ms, trusted, flowing, own_open=1)
    if refused is not None:
        return refused
    waited_s = reading.mono_s - reserved_at.mono_s
    if reading.boot_id != reserved_at.boot_id or waited_s < 0 or waited_s + allowed.lease_s > RESERVATION_S:
        return Refused(
            Reason.LONGEST_RUN,
            f"{reserved.channel}: the run would end more than {RESERVATION_S:.0f} s after its reservation.",
        )
    late_s = allowed.late_s + waited_s
    if reserved.purpose is Purpose.SCHEDULED and late_s > MAY_WAIT_S:
        return Refused(Reason.LATE, f"{reserved.channel}: {late_by(late_s)}")
    return None


def late_by(late_s: float) -> str:
    """What is said of a dose that became too late (R6)."""
    return f"it was due {late_s:.0f} s ago, and a dose waits {MAY_WAIT_S:.0f} s at most"


def _lag_decides(request: Request, flow: Flow) -> Refused:
    """A run whose volume hangs on what a start gives. Booked it would be in full, and given perhaps not at all."""
    name, asked = request.channel, _ml(request.volume_ul)
    if flow.lag_ul == 0:
        text = f"{name}: {asked} refused: it is less than the pump gives in a thousandth of a second."
        return Refused(Reason.LAG, f"{text} Nothing was pumped.", {"asked_ul": request.volume_ul})
    least_ul = least_ul_of(flow)
    return Refused(
        Reason.LAG,
        f"{name}: {asked} refused: the lag of its calibration, {_ml(round(flow.lag_ul))}, is more than half of it, so"
        f" nobody knows what it would give. The least that can be given is {_ml(least_ul)}. Nothing was pumped. Fewer"
        f" and larger doses; or: dosingd calibrate {name}",
        {"asked_ul": request.volume_ul, "least_ul": least_ul, "lag_ul": flow.lag_ul},
    )


def _standing_still(
    plan: Plan,
    books: Books,
    request: Request,
    reading: Reading,
    proven_ms: int,
    trusted: bool,
    flowing: bool,
    own_open: int = 0,
) -> Refused | None:
    """What stops every run, whatever its volume."""
    name = request.channel
    if books.held is not None:
        return Refused(
            Reason.HELD,
            f"{name}: the rig is held: {books.held.rstrip('.')}. To let it dose again: {way_out(books.held)}",
        )
    if books.paused(proven_ms):
        left_s = ((books.paused_until_ms or 0) - proven_ms) / 1000
        return Refused(Reason.PAUSED, f"{name}: the rig is paused.", {"left_s": left_s}, left_s)
    if len(books.open) > own_open:
        return Refused(Reason.BUSY, f"{name}: another run is not settled yet.")
    if request.into is Into.TANK and valid_calibration(plan, books, name) is None:
        return Refused(
            Reason.CALIBRATION,
            f"{name}: it has no calibration that holds for this pump, so nobody knows what it would give. Into a cup "
            f"it runs by its nominal flow. To calibrate it: dosingd calibrate {name}",
        )
    if request.into is Into.TANK and (differs := stock_differs(plan, books, name)) is not None:
        return Refused(Reason.STOCK, f"{name}: {differs}. To say that all of it is the plan's: {confirm(name)}")
    if request.into is Into.TANK and "circulation" in plan.inputs and not flowing:
        return Refused(
            Reason.CIRCULATION, f"{name}: no flow in the tank is seen (inputs.circulation), so nothing goes into it."
        )
    if request.purpose is Purpose.SCHEDULED and request.day is not None and not trusted:
        return Refused(Reason.CLOCK, f"{name}: the clock is not trusted. To see it: dosingd status")
    if plan.quiet and (trusted or request.day is not None):
        run_s = run_s_from_volume(max(0, request.volume_ul), flow_of(plan, books, name))
        # The zone that is lived by: a reloaded plan's zone begins later, and doses are laid by the old one until then.
        zones = books.zones or [(plan.timezone, reading.wall_at)]
        zone = ZoneInfo(zones[zone_in_force(zones, reading.wall_at)][0])
        until_at = quiet_until(plan, reading.wall_at, run_s, zone)
        if until_at is not None:
            left_s = (until_at - reading.wall_at).total_seconds()
            local = until_at.astimezone(zone).strftime("%H:%M")
            return Refused(Reason.QUIET, f"{name}: quiet time until {local}.", {"until": local}, left_s)
    return None


def _apart(plan: Plan, books: Books, request: Request, proven_ms: int) -> Refused | None:
    waits = []
    for other in set(plan.channels) | set(books.last_end_ms):
        # A channel that a reload took out or renamed may still drip: it keeps the widest gap that is asked here.
        left = other not in plan.channels
        gap_s = max(plan.gap_s(request.channel, other), plan.widest_gap_s(request.channel) if left else 0.0)
        ended_ms = books.last_end_ms.get(other)
        if gap_s > 0 and ended_ms is not None:
            left_s = gap_s - (proven_ms - ended_ms) / 1000
            if left_s > 0:
                waits.append((left_s, other, gap_s))
    if not waits:
        return None
    left_s, other, gap_s = max(waits)
    return Refused(
        Reason.APART,
        f"{request.channel}: {span_text(gap_s)} must lie between {other} and {request.channel}; "
        f"{other} ran {max(0.0, gap_s - left_s) / 60:.1f} min ago.",
        {"other": other, "gap_s": gap_s, "left_s": left_s},
        left_s,
    )


@frozen
class _Room:
    """What one limit leaves. `room_ul` is below what was asked exactly when the limit says no."""

    reason: Reason
    said: str
    room_ul: int
    wait_ms: int | None = None
    fixed: bool = False  #: neither waiting nor a refill changes it


def _least_room(plan: Plan, books: Books, request: Request, reserved: Reserved, proven_ms: int) -> Refused | None:
    """Every limit that applies, as the volume it leaves; refused by the smallest when that is below what is asked."""
    asked = request.volume_ul
    rooms = [*_bucket_rooms(plan, books, request, reserved, proven_ms), *_other_rooms(plan, books, request, reserved)]
    least = min(rooms, key=lambda room: room.room_ul)
    if least.room_ul >= asked:
        return None
    waits = [room.wait_ms for room in rooms if room.room_ul < asked]
    fits_in_s = None if None in waits else max(wait or 0 for wait in waits) / 1000
    facts: dict[str, object] = {
        "asked_ul": asked,
        "room_ul": max(0, least.room_ul),
        "rooms_ul": {str(room.reason): max(0, room.room_ul) for room in rooms},
    }
    text = (
        f"{request.channel}: {_ml(asked)} refused: {least.said} leaves {_ml(max(0, least.room_ul))} now. "
        "Nothing was pumped."
    )
    never = [room for room in rooms if room.fixed and room.room_ul < asked]
    if fits_in_s is not None:
        text += f" It will fit in {_minutes(fits_in_s)}."
    elif never:
        listed = ", and ".join(f"{room.said.rstrip(',')} is {_ml(max(0, room.room_ul))}" for room in never)
        text += f" It never fits: {listed}."
    return Refused(least.reason, text, facts, fits_in_s)


def _bucket_rooms(plan: Plan, books: Books, request: Request, reserved: Reserved, proven_ms: int) -> list[_Room]:
    """The room in each allowance that the run draws on: the cup's, or volume, motor time and change of the tank."""
    limits, name = plan.channels[request.channel].limits, request.channel
    spare_ul = reserved.reserved_ul - request.volume_ul

    def room(key: str, amount: int, reason: Reason, said: str) -> _Room:
        bucket = books.buckets.get(key)
        if bucket is None:  # a limit that nobody set leaves nothing
            return _Room(reason, said, 0)
        level = books.level(key, proven_ms)
        if level >= amount:
            return _Room(reason, said, max(request.volume_ul, level * reserved.reserved_ul // amount - spare_ul))
        room_ul = level * reserved.reserved_ul // amount - spare_ul
        return _Room(reason, said, min(room_ul, request.volume_ul - 1), bucket.fits_in_ms(amount, proven_ms))

    if request.into is Into.CUP:
        return [room(f"cup:{name}", reserved.reserved_ul, Reason.CUP_LIMIT, "what may run into a cup")]
    rooms = [
        room(f"day:{name}", reserved.reserved_ul, Reason.DAY_LIMIT, f"its day limit of {_ml(limits.day_ul)}"),
        room(
            f"run:{name}",
            reserved.lease_ms,
            Reason.RUN_LIMIT,
            f"its run limit of {limits.run_s / 60:.1f} min of motor in 24 h",
        ),
    ]
    for substance, amount in reserved.change_umol.items():
        key = f"rise:{substance}"
        if key in books.buckets or substance == gives(plan, name):
            rooms.append(room(key, amount, Reason.RISE_LIMIT, f"the limit of the tank's rise in {substance}"))
    return rooms


def _other_rooms(plan: Plan, books: Books, request: Request, reserved: Reserved) -> list[_Room]:
    """The room that no waiting changes: dose limit, longest run, the day's plan, what is in the reservoir."""
    channel, asked = plan.channels[request.channel], request.volume_ul
    flow = flow_of(plan, books, request.channel)
    longest_ul = volume_ul_from_run_s(LONGEST_LEASE_S - LEASE_MARGIN_S, flow)
    too_long = reserved.lease_ms > LONGEST_LEASE_S * 1000
    rooms = [
        _Room(
            Reason.LONGEST_RUN,
            f"the longest run, {LONGEST_LEASE_S / 60:.1f} min,",
            min(longest_ul, asked - 1) if too_long else max(longest_ul, asked),
            fixed=True,
        )
    ]
    if request.into is Into.TANK:
        rooms.append(_Room(Reason.DOSE_LIMIT, "its dose limit", channel.limits.dose_ul, fixed=True))
    if request.purpose is Purpose.SCHEDULED:
        rooms.append(_Room(Reason.DAYS_PLAN, "the day's plan", _room_in_days_plan(plan, books, request, reserved)))
    contents = books.contents.get(request.channel)
    if contents is not None:
        reserve_ul = channel.reservoir.reserve_ul
        left_ul = contents.left_ul - reserve_ul - (reserved.reserved_ul - asked)
        said = f"its reservoir ({_ml(contents.left_ul)}, of them {_ml(reserve_ul)} reserve)"
        rooms.append(_Room(Reason.RESERVE, said, left_ul))
    return rooms


def _room_in_days_plan(plan: Plan, books: Books, request: Request, reserved: Reserved) -> int:
    """The volume that the day's planned change leaves for scheduled doses (R12), in µL."""
    name = request.channel
    if request.day is None:  # dosed without a clock: the span's own sum is what the agenda laid
        return request.volume_ul
    strengths = strengths_of(plan, books)
    account = books.account(request.day, name)
    by_volume = isinstance(plan.channels[name].daily, DailyVolume)
    planned_umol = None if by_volume else daily_change_umol(plan, name, strengths)
    if planned_umol is None or reserved.asked_umol is None:
        return day_volume_ul(daily_volume_ul(plan, name, strengths), request.day) - account.spent_ul
    per_ul = reserved.asked_umol / reserved.asked_ul
    # One microlitre for the remainder that R12 carries from day to day.
    return math.floor((planned_umol - account.spent_umol) / per_ul + 1.0 + 1e-6)


def _ml(volume_ul: int) -> str:
    # What two places would show as nothing, or as something else, is shown to the microlitre.
    places = 3 if 0 < abs(volume_ul) < 100 and volume_ul % 10 else 2
    return f"{volume_ul / 1000:.{places}f} mL"


def _minutes(seconds: float) -> str:
    return f"{math.ceil(seconds)} s" if seconds < 120 else f"{math.ceil(seconds / 60)} min"
