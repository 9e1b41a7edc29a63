"""When a calibration falls due, and what has to be done at the pumps: due in words, with numbers and the next step.

Head tubing wears with every turn of the rollers, ages under a roller that stands still, and a flow that was right in
spring is wrong in summer. A calibration falls due by age, by motor hours, or by the drift that the calibrations on this
tubing show, whichever comes first. It goes on being used when it is overdue: a flow that is some percent off starves or
feeds a little, no dose at all starves altogether, so a person is told, ahead of time.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from attrs import frozen

from dosingd.acceptance import lag_text
from dosingd.books import Books
from dosingd.daily import daily_volume_ul
from dosingd.flows import calibrations_of, flow_of, valid_calibration
from dosingd.plan.model import Plan
from dosingd.strengths import strengths_of
from dosingd.tubing import Calibration

#: A calibration is good for so long. Common practice, no source: four times a year.
RECALIBRATE_AFTER = timedelta(days=90)
#: ... and for so many hours of the motor: a tenth of what a pump tube is commonly said to last. No source.
MOTOR_HOURS = 50.0
#: ... and until the flow is likely to be off by this share: a third of what may harm (15 %).
DRIFT_SHARE = 0.05
#: Calibrations of a shorter time tell their own scatter, not a drift.
DRIFT_SEEN_OVER = timedelta(days=7)
#: A keeper is told so long before, but not in the first half of the time: a fast drift would never be quiet.
AHEAD = timedelta(days=14)
#: A calibration whose day lies further ahead than this was booked by a clock that was wrong.
CLOCK_SLACK = timedelta(days=1)
#: One calibration tells no drift. A tubing that loses 3 % a week has lost 9 % by then.
SECOND_LOOK_AFTER = timedelta(days=21)
#: A flow that changed at once may go on changing: nothing before it tells how fast.
LOOK_AGAIN_AFTER = timedelta(days=10)


@frozen
class Due:
    """When a calibration falls due, and by what: `age`, `motor hours`, `drift`, or a `date` that lies ahead."""

    at: datetime
    why: str


@frozen
class Finding:
    """One thing to be done. `kind` is the name of the alarm that tells of it."""

    kind: str
    channel: str | None
    since: datetime
    text: str
    next_step: str


def due(plan: Plan, books: Books, name: str, now_at: datetime) -> Due | None:
    """When the calibration that a channel is dosed by falls due; None: there is none. It may lie in the past."""
    known = calibrations_of(plan, books, name)
    if not known:
        return None
    newest = known[-1]
    if newest.at - now_at > CLOCK_SLACK:
        return Due(now_at, "date")  # nobody knows how old it is
    found = [
        Due(newest.at + RECALIBRATE_AFTER, "age"),
        _by_motor(plan, books, name, newest, now_at),
        _by_drift(_since_change(known)),
    ]
    return min((each for each in found if each is not None), key=lambda each: each.at)


def _by_motor(plan: Plan, books: Books, name: str, newest: Calibration, now_at: datetime) -> Due | None:
    """When the motor has run for MOTOR_HOURS since: at the plan's rate, or now where it already has."""
    ran_h = (books.motor_ms.get(name, 0) - newest.motor_ms) / 3_600_000
    daily_h = float(daily_volume_ul(plan, name, strengths_of(plan, books))) / flow_of(plan, books, name).ul_per_s / 3600
    days = MOTOR_HOURS / daily_h if daily_h > 0 else math.inf
    at = newest.at + timedelta(days=days) if days < 3650 else None
    if ran_h >= MOTOR_HOURS:
        at = now_at if at is None else min(at, now_at)
    return None if at is None else Due(at, "motor hours")


def _since_change(known: tuple[Calibration, ...]) -> tuple[Calibration, ...]:
    """Those since the flow last changed at once, by two sets that agreed: a step is no drift."""
    changed = [index for index, each in enumerate(known) if each.event.second_set]
    return known[changed[-1] :] if changed else known


def drift_per_day(known: tuple[Calibration, ...]) -> float | None:
    """The share of its flow that a tubing gains (or, below zero, loses) a day: the line of least squares through its
    calibrations, over the newest flow. None: they do not reach over a week."""
    if len(known) < 2 or known[-1].at - known[0].at < DRIFT_SEEN_OVER:
        return None
    days = [(each.at - known[0].at) / timedelta(days=1) for each in known]
    flows = [each.event.flow_ul_per_s for each in known]
    mean_d, mean_flow = sum(days) / len(days), sum(flows) / len(flows)
    spread = sum((day - mean_d) ** 2 for day in days)
    slope = sum((day - mean_d) * (flow - mean_flow) for day, flow in zip(days, flows, strict=True)) / spread
    return slope / flows[-1]


def _by_drift(known: tuple[Calibration, ...]) -> Due | None:
    rate = drift_per_day(known)
    if not rate:
        return None
    days = DRIFT_SHARE / abs(rate)
    return Due(known[-1].at + timedelta(days=days), "drift") if days < 3650 else None


def findings(plan: Plan, books: Books, now_at: datetime) -> list[Finding]:
    """Everything that has to be done at the pumps now, or soon."""
    found = [each for name in plan.channels for each in _calibration(plan, books, name, now_at)]
    return found + _swap_check(plan, books, now_at)


def _calibration(plan: Plan, books: Books, name: str, now_at: datetime) -> list[Finding]:
    step, tubing = f"dosingd calibrate {name}", books.tubing_of(name)
    newest, doubted = valid_calibration(plan, books, name), tubing.doubted
    if newest is None:
        text = f"{name}: it does not dose, because {why_none(books, name)}."
        return [Finding("no-calibration", name, tubing.retubed_at or now_at, text, step)]
    if doubted is not None:
        text = f"{name}: {doubted.reason}"
        return [Finding("calibration-due", name, now_at, text, step)]
    lag = lag_text(plan, books, name)
    if lag is not None:
        return [Finding("calibration-due", name, newest.at, lag, step)]
    when = due(plan, books, name, now_at)
    assert when is not None
    if when.why == "date":
        text = (
            f"{name}: its calibration was booked on {newest.at:%Y-%m-%d}, which lies ahead, so the clock was wrong then"
            " or is wrong now, and nobody knows how old it is. Doses go on by it."
        )
        return [Finding("calibration-due", name, now_at, text, step)]
    known = _since_change(calibrations_of(plan, books, name))
    since = when.at - min(AHEAD, (when.at - newest.at) / 2)
    if since <= now_at:
        falls = "fell due" if when.at <= now_at else "falls due"
        text = f"{name}: its calibration of {newest.at:%Y-%m-%d} {falls} on {when.at:%Y-%m-%d} by {_words(when)}"
        rate = drift_per_day(known)
        if when.why == "drift" and rate is not None:
            text += f": its flow changes by {rate * 700:+.1f} % a week, so look at the tubing as well"
        return [Finding("calibration-due", name, max(since, newest.at), f"{text}. Doses go on by it.", step)]
    alone = drift_per_day(known) is None and newest.event.source != "bench"
    look_after = LOOK_AGAIN_AFTER if known[0].event.second_set else SECOND_LOOK_AFTER
    if alone and newest.at + look_after <= now_at:
        after = " since its flow changed" if known[0].event.second_set else ""
        times = "once" if len(known) == 1 else f"{len(known)} times within a week"
        text = (
            f"{name}: this tubing was calibrated {times}{after}, the last on {newest.at:%Y-%m-%d}, so nobody knows yet"
            " how fast its flow drifts. Another calibration tells."
        )
        return [Finding("calibration-due", name, newest.at + look_after, text, step)]
    return []


def _words(when: Due) -> str:
    return {
        "age": "its age",
        "motor hours": f"{MOTOR_HOURS:.0f} h of its motor",
        "drift": "its drift",
        "date": "its date",
    }[when.why]


def why_none(books: Books, name: str) -> str:
    """Why no calibration holds for a channel, as the rest of a sentence."""
    tubing = books.tubing_of(name)
    if tubing.doubted is not None:
        return "its test runs are far off the last ones on this tubing, and wait for a second set that agrees"
    newest = (*tubing.accepted, *tubing.holding)[-1:]
    if newest and newest[0].event.head is None:
        return (
            "its calibration was booked by an older version, which did not write down of which gpio, speed,"
            " nominal_flow and line it was, and the plan has changed since"
        )
    if tubing.holding:
        return "its calibration is of another gpio, speed, nominal_flow or line than the plan names now"
    if tubing.accepted:
        return (
            "its calibration ended when the plan named another gpio, speed, nominal_flow or line,"
            " and does not come back with the former plan"
        )
    if tubing.retubed_at is not None:
        return "its head tubing is new and was not calibrated yet"
    return "it was never calibrated"


def _swap_check(plan: Plan, books: Books, now_at: datetime) -> list[Finding]:
    """Whether each head was seen to fill its own cup on the line that the plan names; a bench has no lines to swap."""
    if books.ledger is None or books.ledger.bench or len(plan.channels) < 2:
        return []
    seen = books.identified or {}
    moved = [name for name, channel in plan.channels.items() if seen.get(name) != channel.pump.gpio]
    if not moved:
        return []
    text = (
        f"{', '.join(moved)}: nobody has seen yet which head runs on which line. A swapped line gives the wrong stock."
    )
    return [Finding("identify-due", None, now_at, text, "dosingd identify")]
