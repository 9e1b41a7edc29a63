"""One snapshot of the rig, the same for `status`, the broker and the log: what is there, what is wrong, what comes.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from attrs import field, frozen

from dosingd import stores
from dosingd.agenda import Due, dosing_day
from dosingd.alarms import STOPS_A_CHANNEL, Alarm, Kind, alarms
from dosingd.books import Books
from dosingd.calibration import volume_ul_from_run_s
from dosingd.daily import daily_volume_ul, day_volume_ul
from dosingd.flows import flow_of, valid_calibration
from dosingd.kept import LastDose
from dosingd.plan.model import Plan
from dosingd.records import Reading, Substance
from dosingd.reservoir import days_left
from dosingd.strengths import at_outlet, strengths_of
from dosingd.trust import Trust
from dosingd.upkeep import due as calibration_due


@frozen
class ReservoirState:
    """What a reservoir holds by its books; None is unknown: no refill was booked."""

    left_ul: int | None
    days_left: float | None
    low: bool | None
    stock: str  #: what is in it, else what the plan says belongs in it
    batch: str | None = None
    uncertainty_ul: int | None = None  #: how far the level may lie from the books


@frozen
class CalibrationState:
    """The flow that doses are timed by."""

    ul_per_s: float
    at: datetime | None  #: None: the nominal flow, never calibrated
    runs: int
    source: str  #: measured | declared | bench | nominal
    interval95_percent: float | None = None  #: half of the 95 % interval of one dose, over its volume
    due_at: datetime | None = None


@frozen
class ChannelState:
    """One channel as it stands."""

    id: str
    given_today_ul: int  #: scheduled doses of the dosing day, and what was given by hand into the tank in it
    planned_today_ul: int
    allowance_ul: int  #: what all its allowances leave for now
    next_dose_at: datetime | None  #: None as well where a person is waited for: `waiting_for` says for what
    last_dose: LastDose | None
    waiting_for: str | None  #: why it does not dose: held, pause, clock, session, reservoir, timetable; None: nothing
    reservoir: ReservoirState
    calibration: CalibrationState


@frozen
class RigState:
    """The rig as it stood at a reading of the clocks."""

    at: Reading
    rig: str
    timezone: str
    plan_sha256: str
    version: str
    started_at: datetime | None  #: None: no daemon runs
    held: bool
    held_reason: str | None
    paused_until_at: datetime | None
    clock_trusted: bool | None  #: None: no daemon runs, so nobody watches the clock
    clock_source: str | None  #: network | rtc | none
    channels: Mapping[str, ChannelState]
    alarms: Sequence[Alarm] = field(factory=tuple)
    ended: Sequence[Alarm] = field(factory=tuple)  #: alarms that stood once and are over, the newest of each kind
    inputs: Mapping[str, str] = field(factory=dict)  #: what each switch of the plan says, in words
    stopped: str | None = None  #: why nothing can run until a person mends it and starts the daemon again


def rig_state(
    plan: Plan,
    books: Books,
    reading: Reading,
    *,
    trust: Trust | None = None,
    cannot_lay: str | None = None,
    coming: Sequence[Due] = (),
    sessions: Mapping[str, float] | None = None,
    more_alarms: Sequence[Alarm] = (),
    inputs: Mapping[str, str] | None = None,
    version: str = "",
    started_at: datetime | None = None,
    stopped: str | None = None,
) -> RigState:
    """The rig at a reading. `coming` is the agenda, soonest first; `sessions` are the channels that a session by hand
    keeps from dosing; `more_alarms` are those that the books do not know of, `inputs` what the switches say; `stopped`
    is why nothing can run until the daemon is started again."""
    proven_ms = books.proven_ms(reading)
    paused = books.paused(proven_ms)
    paused_until_at = (
        reading.wall_at + timedelta(milliseconds=(books.paused_until_ms or 0) - proven_ms) if paused else None
    )
    standing = tuple(alarms(plan, books, reading, trust, cannot_lay)) + tuple(more_alarms)
    if stopped is not None:
        coming = ()  # whatever is on the agenda, it will not be given
    context = _Context(plan, books, reading, proven_ms, trust, cannot_lay, coming, sessions or {}, standing, stopped)
    return RigState(
        at=reading,
        rig=plan.rig,
        timezone=plan.timezone,
        plan_sha256=plan.sha256,
        version=version,
        started_at=started_at,
        held=books.held is not None,
        held_reason=books.held,
        paused_until_at=paused_until_at,
        clock_trusted=None if trust is None else trust.trusted,
        clock_source=None if trust is None else trust.source,
        channels={name: _channel(context, name) for name in plan.channels},
        alarms=standing,
        inputs=inputs or {},
        stopped=stopped,
    )


@frozen
class _Context:
    plan: Plan
    books: Books
    reading: Reading
    proven_ms: int
    trust: Trust | None
    cannot_lay: str | None
    coming: Sequence[Due]
    sessions: Mapping[str, float]
    alarms: Sequence[Alarm]
    stopped: str | None


def _channel(context: _Context, name: str) -> ChannelState:
    plan, books, reading = context.plan, context.books, context.reading
    daily_ul = daily_volume_ul(plan, name, strengths_of(plan, books))
    given_ul, planned_ul = 0, 0
    if books.zones:
        day = dosing_day(books.zones, reading.wall_at)
        planned_ul = day_volume_ul(daily_ul, day.day)
        since_ms = context.proven_ms - max(0, int((reading.wall_at - day.start_at).total_seconds() * 1000))
        given_ul = books.account(day.day, name).given_ul + books.extra_ul.get(day.day, {}).get(name, 0)
        given_ul += books.unclocked_spent(name, since_ms)[2]
    contents = books.contents.get(name)
    reservoir = plan.channels[name].reservoir
    known = valid_calibration(plan, books, name)
    falls_due = calibration_due(plan, books, name, reading.wall_at)
    return ChannelState(
        id=name,
        given_today_ul=given_ul,
        planned_today_ul=planned_ul,
        allowance_ul=allowance_ul(plan, books, name, context.proven_ms),
        next_dose_at=_next_dose_at(context, name),
        last_dose=books.last_dose.get(name),
        waiting_for=_waiting_for(context, name),
        reservoir=ReservoirState(
            left_ul=None if contents is None else contents.left_ul,
            days_left=None if contents is None else days_left(contents.left_ul, reservoir, daily_ul),
            low=None if contents is None else stores.is_low(plan, books, name),
            stock=plan.channels[name].stock if contents is None else contents.stock,
            uncertainty_ul=None if contents is None else stores.uncertainty_ul(plan, books, name),
        ),
        calibration=CalibrationState(
            ul_per_s=flow_of(plan, books, name).ul_per_s,
            at=None if known is None else known.at,
            runs=0 if known is None else len(known.event.runs),
            source="nominal" if known is None else known.event.source,
            interval95_percent=None if known is None else known.event.interval95_percent,
            due_at=None if falls_due is None else falls_due.at,
        ),
    )


def allowance_ul(plan: Plan, books: Books, name: str, proven_ms: int) -> int:
    """What all of a channel's allowances leave for a run into the tank now, in µL, rounded down; never below zero.

    The smallest of its volume, its motor time at its flow, and the tank's change at the strength at the outlet.
    """
    flow = flow_of(plan, books, name)
    rooms = [books.level(f"day:{name}", proven_ms)]
    run_s = max(0, books.level(f"run:{name}", proven_ms)) / 1000
    rooms.append(max(0, volume_ul_from_run_s(run_s, flow) - 1))
    strength = at_outlet(plan, books, name)
    for substance in (Substance.ALKALINITY, Substance.CALCIUM, Substance.MAGNESIUM):
        per_ul = 0.0 if strength is None else strength.of(substance)
        if per_ul > 0 and f"rise:{substance}" in books.buckets:
            rooms.append(int(books.level(f"rise:{substance}", proven_ms) / per_ul))
    return max(0, min(rooms))


#: What a channel waits for while one of these alarms stands, whatever is on the agenda; the first of them is told.
STOPPING = {
    Kind.RESERVOIR_RESERVE: "a refill",
    Kind.NO_STRENGTH: "a refill with the plan's stock",
    Kind.NO_CALIBRATION: "a calibration",
    Kind.STOCK_DIFFERS: "the keeper to confirm its stock",
    Kind.NO_CIRCULATION: "flow in the tank",
}


#: What it waits for when nothing more comes today, because doses were missed or refused.
SPENT = "the next dosing day: today's doses are spent"


def _next_dose_at(context: _Context, name: str) -> datetime | None:
    if context.books.held is not None or _stopping(context, name) & STOPS_A_CHANNEL:
        return None  # whatever is on the agenda, it is not given before a person has been there
    for due in context.coming:
        if due.channel != name:
            continue
        if due.due_at is not None:
            return due.due_at
        return context.reading.wall_at + timedelta(seconds=(due.due_mono_s or 0.0) - context.reading.mono_s)
    return None


def _waiting_for(context: _Context, name: str) -> str | None:
    books, trust = context.books, context.trust
    if context.stopped is not None:
        return "a sound ledger"
    if books.held is not None:
        return "release"
    if books.paused(context.proven_ms):
        return "end of the pause"
    if name in context.sessions:
        return "end of the session by hand"
    if context.cannot_lay is not None:
        return "a plan that can be laid"
    if trust is not None and not trust.trusted and not any(due.channel == name for due in context.coming):
        return "a trusted clock"
    stopping = _stopping(context, name)
    what = next((what for kind, what in STOPPING.items() if kind in stopping), None)
    return SPENT if what is None and _is_spent(context, name) else what


def _is_spent(context: _Context, name: str) -> bool:
    """Whether nothing more comes today, and not for all of it having been given."""
    if context.trust is None or not context.trust.trusted or not context.books.zones:
        return False
    if any(due.channel == name for due in context.coming):
        return False
    account = context.books.account(dosing_day(context.books.zones, context.reading.wall_at).day, name)
    return account.missed + account.refused > 0


def _stopping(context: _Context, name: str) -> set[Kind]:
    """The alarms that stand and keep a channel from dosing."""
    return {alarm.kind for alarm in context.alarms if alarm.channel in (name, None) and alarm.kind in STOPPING}
