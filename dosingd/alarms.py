"""The alarms: what is wrong now, in words with numbers, and the next step.

An alarm is derived from the present state each time, so it is raised when its cause begins and ends when it is over.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum

from attrs import evolve, frozen

from dosingd import stores
from dosingd.books import Books
from dosingd.causes import Cause
from dosingd.checking.figures import LOW_DKH, hours_until_low
from dosingd.daily import daily_volume_ul, gives, plan_strengths
from dosingd.kept import Recent
from dosingd.leases import LEAK_SENSOR, MAY_HAVE_RUN, way_out
from dosingd.plan.model import Plan, WithoutClock
from dosingd.records import Reading, Substance
from dosingd.reservoir import days_left
from dosingd.strengths import strengths_of
from dosingd.trust import UNCLOCKED_AFTER_S, Trust
from dosingd.upkeep import findings
from dosingd.words import clipped, counted, plain

DAY_MS = 24 * 3600 * 1000
#: Over 48 h, less than this share of the plan given is a shortfall.
SHORTFALL_SHARE = 0.7
#: So many starts within an hour that nobody asked for are no accident any more.
RESTARTS = 3
#: A phone shows some 250 characters, so of a reason that somebody typed, or that lists many things, so much is told.
#: `status` and the log have all of it.
MOST_OF_A_REASON = 96
#: How long the end of a pause is told.
PAUSE_ENDED_MS = 3600 * 1000


class Kind(StrEnum):
    RESERVOIR_LOW = "reservoir-low"
    RESERVOIR_RESERVE = "reservoir-reserve"
    DOSE_REFUSED = "dose-refused"
    DOSES_MISSED = "doses-missed"
    DOSE_UNKNOWN = "dose-unknown"
    SHORTFALL = "shortfall"
    CLOCK_UNTRUSTED = "clock-untrusted"
    CLOCK_MOVED = "clock-moved"
    WITHOUT_CLOCK = "without-clock"
    HELD = "held"
    RESTART_LOOP = "restart-loop"
    CANNOT_LAY = "cannot-lay"
    NO_STRENGTH = "no-strength"
    NO_LEDGER = "no-ledger"
    INPUT_WANTED = "input-wanted"
    PUMP_OUTLIVED = "pump-outlived"
    LEAK = "leak"
    PAUSE_ENDED = "pause-ended"
    PLAN_REFUSED = "plan-refused"
    PLAN_CHANGED = "plan-changed"
    BROKER_UNREACHABLE = "broker-unreachable"
    BROKER_DENIES = "broker-denies"
    NO_CALIBRATION = "no-calibration"
    CALIBRATION_DUE = "calibration-due"
    IDENTIFY_DUE = "identify-due"
    STOCK_DIFFERS = stores.STOCK_DIFFERS
    RESERVOIR_UNKNOWN = stores.NOT_BOOKED
    FLOW_ERROR = stores.FLOW_ERROR
    LEVEL_DIFFERS = stores.LEVEL_DIFFERS
    FLOAT_LOW = "float-low"
    NO_CIRCULATION = "no-circulation"
    INPUT_DISAGREES = "input-disagrees"
    INPUT_CHATTERS = "input-chatters"
    INPUT_UNREADABLE = "input-unreadable"
    INPUT_UNTRIED = "input-untried"


#: While one of these stands, its channel gives nothing.
STOPS_A_CHANNEL = frozenset({Kind.RESERVOIR_RESERVE, Kind.NO_STRENGTH, Kind.STOCK_DIFFERS, Kind.NO_CALIBRATION})


@frozen
class Alarm:
    """One alarm as it stands. `since` is when its cause was first seen."""

    kind: Kind
    channel: str | None
    since: datetime
    text: str
    next_step: str


def alarms(
    plan: Plan, books: Books, reading: Reading, trust: Trust | None, cannot_lay: str | None
) -> tuple[Alarm, ...]:
    """Every alarm that holds at a reading."""
    found: list[Alarm] = []
    now_at = reading.wall_at
    found += _latch(plan, books, now_at)
    if cannot_lay is not None:
        text = f"Today's doses fit nowhere, so nothing is dosed: {told(cannot_lay)}{without_doses(plan)}"
        found.append(Alarm(Kind.CANNOT_LAY, None, now_at, text, "dosingd check PLAN"))
    found += _pause(books, books.proven_ms(reading), now_at)
    found += _restarts(books, reading)
    found += _clock(plan, reading, trust)
    found += _reservoirs(plan, books, now_at)
    found += [
        Alarm(Kind(one.kind), one.channel, one.since, one.text, one.next_step)
        for one in (*findings(plan, books, now_at), *stores.found(plan, books, now_at))
    ]
    behind = trust is not None and trust.behind
    found += _recent(plan, books, books.proven_ms(reading), now_at, behind=behind)
    return tuple(_with_what_is_missing(plan, alarm) for alarm in found)


def _with_what_is_missing(plan: Plan, alarm: Alarm) -> Alarm:
    """How bad it is that one channel stands still, with a figure."""
    if alarm.kind not in STOPS_A_CHANNEL or alarm.channel is None:
        return alarm
    daily_ml = float(daily_volume_ul(plan, alarm.channel, plan_strengths(plan))) / 1000
    return evolve(alarm, text=f"{alarm.text.rstrip('.')}. Meanwhile the tank goes without its {daily_ml:.1f} mL a day.")


def told(reason: str) -> str:
    """A reason as a sentence of an alarm, no longer than a phone can show beside the rest."""
    text = clipped(reason.rstrip(" ."), MOST_OF_A_REASON)
    return text if text.endswith(("…", "?", "!")) else f"{text}."


def without_doses(plan: Plan) -> str:
    """How bad it is that nothing is dosed, as a sentence with a figure; empty for a plan without alkalinity."""
    hours = hours_until_low(plan)
    if hours is None:
        return ""
    return f" Without doses the tank's alkalinity falls by {LOW_DKH} dKH in about {hours:.0f} h, by the plan."


def _latch(plan: Plan, books: Books, now_at: datetime) -> list[Alarm]:
    """The hold, and with it whatever it was that held the rig, where that is more than a hold: each cause counts."""
    why = books.held
    if why is None:
        return []
    more = len(books.causes) - 1 + books.latch.more
    besides = f" It is held for {counted(more, 'cause')} more: dosingd status." if more else ""
    text = f"All pumps are off: {told(books.causes[0].why)}{besides} Nothing is dosed until a person releases the rig."
    found = [Alarm(Kind.HELD, None, books.held_since_at or now_at, text + without_doses(plan), way_out(why))]
    for cause in books.causes:
        found += [
            one for one in _of_cause(plan, cause) if (one.kind, one.channel) not in {(a.kind, a.channel) for a in found}
        ]
    return found


def _of_cause(plan: Plan, cause: Cause) -> list[Alarm]:
    """What a cause of a hold is besides."""
    why = cause.why
    if why.startswith(LEAK_SENSOR):
        return [leak_alarm(f"{why.removesuffix('. Mend that first')}, or was when it held the rig", cause.at)]
    if not any(words in why for words in MAY_HAVE_RUN):
        return []
    name = why.partition(":")[0]
    channel = plan.channels.get(name)
    rate = "" if channel is None else f", {plain(channel.pump.nominal_ul_per_s * 0.06, 2)} mL a minute"
    text = (
        f"{told(why if channel else why[:1].upper() + why[1:])} More than was asked may have gone in; the ledger"
        f" counts it. Every pump was told to stop, but one whose switch is stuck goes on{rate}."
    )
    step = "if the pump still turns, pull its plug; mend its switch or wiring, then: dosingd release"
    return [Alarm(Kind.PUMP_OUTLIVED, None if channel is None else name, cause.at, text, step)]


def leak_alarm(what: str, since_at: datetime) -> Alarm:
    """Water where none should be. `what` says which sensor, without a full stop."""
    text = (
        f"{what[:1].upper()}{what[1:]}: there may be water on the floor. Every pump is off until a person releases it."
    )
    return Alarm(Kind.LEAK, None, since_at, text, "find the water, dry the sensor, then: dosingd release")


def _pause(books: Books, proven_ms: int, now_at: datetime) -> list[Alarm]:
    """A pause that ended by itself is told for a while: pumps run again, over whatever hands are in the tank."""
    ended_ms = books.paused_until_ms
    if ended_ms is None or not 0 <= proven_ms - ended_ms < PAUSE_ENDED_MS:
        return []
    since_at = now_at - timedelta(milliseconds=proven_ms - ended_ms)
    text = "The pause is over and the pumps run again. What was due meanwhile was missed, and is not made up for."
    return [Alarm(Kind.PAUSE_ENDED, None, since_at, text, "dosingd status")]


def _restarts(books: Books, reading: Reading) -> list[Alarm]:
    starts = len(books.restarts_within_the_hour(books.proven_ms(reading)))
    if starts < RESTARTS:
        return []
    text = (
        f"The daemon came up {starts} times in an hour without having been stopped: it fails, or its supply does."
        " A dose that was on is booked as the most that can have gone in, and is not given again."
    )
    return [Alarm(Kind.RESTART_LOOP, None, books.restarts_since_at or reading.wall_at, text, "journalctl -u dosingd")]


def _clock(plan: Plan, reading: Reading, trust: Trust | None) -> list[Alarm]:
    if trust is None or trust.trusted:
        return []
    since_s = trust.untrusted_since_mono_s or 0.0
    hours = (reading.mono_s - since_s) / 3600
    since_at = reading.wall_at - timedelta(seconds=max(0.0, reading.mono_s - since_s))
    if reading.mono_s - since_s >= UNCLOCKED_AFTER_S:
        goes_on = (
            "One day's doses are spread over 48 h, so the tank gets half of what it uses."
            if plan.clock.without is WithoutClock.HALF
            else "The plan allows no dose without a clock, so the tank gets nothing."
        )
        text = f"The clock has not been trusted for {hours:.0f} h. {goes_on}"
        return [Alarm(Kind.WITHOUT_CLOCK, None, since_at, text, "set the clock, then: dosingd status")]
    why = (
        "it is behind the newest entry of the ledger"
        if trust.behind
        else "it was not synchronised since the boot, or moved since then"
    )
    then = (
        "; after 12 h half of each day's doses are given without it."
        if plan.clock.without is WithoutClock.HALF
        else ", however long that takes."
    )
    text = f"The clock is not trusted: {why}. No scheduled dose until it is{then}"
    step = "see that the network is there (timedatectl), then: dosingd status"
    if trust.behind:
        step = "see that the network is there, or look at the clock and: dosingd release --clock"
    return [Alarm(Kind.CLOCK_UNTRUSTED, None, since_at, text, step)]


def _reservoirs(plan: Plan, books: Books, now_at: datetime) -> list[Alarm]:
    found = []
    strengths = strengths_of(plan, books)
    for name, channel in plan.channels.items():
        contents = books.contents.get(name)
        if contents is None:
            continue
        own = gives(plan, name)
        if own is not Substance.OTHER and contents.strength is not None and contents.strength.of(own) <= 0:
            text = f"{name}: what was poured in ({contents.stock}) holds no {own}. Nothing is dosed from it."
            found.append(Alarm(Kind.NO_STRENGTH, name, now_at, text, f"dosingd refill {name} --to VOLUME"))
            continue
        left, reserve = contents.left_ul, channel.reservoir.reserve_ul
        if stores.at_reserve(plan, books, name):
            text = (
                f"{name}: {left / 1000:.0f} mL left, {reserve / 1000:.0f} mL of them reserve. The channel stops here."
            )
            found.append(Alarm(Kind.RESERVOIR_RESERVE, name, now_at, text, f"dosingd refill {name} --to VOLUME"))
        elif stores.is_low(plan, books, name):
            days = days_left(left, channel.reservoir, daily_volume_ul(plan, name, strengths)) or 0.0
            open_ = stores.uncertainty_ul(plan, books, name)
            about = f" (± {open_ / 1000:.0f})" if open_ >= 500 else ""
            text = f"{name}: {left / 1000:.0f} mL left{about}, enough for {days:.1f} days. Then it stops."
            if open_ >= left:
                text = f"{name}: at most {left / 1000:.0f} mL left, enough for {days:.1f} days, and perhaps none."
            found.append(Alarm(Kind.RESERVOIR_LOW, name, now_at, text, f"dosingd refill {name} --to VOLUME"))
    return found


#: What a person wants to know of a clock that moved.
_LAID_ANEW = "The rest of the day was laid anew: no dose is given twice, and none that was passed over is made up for."


def _why(name: str, text: str) -> str:
    """Why a dose was not given, without what the alarm says itself, or what was true then alone."""
    return text.removeprefix(f"{name}: ").partition(" Nothing was pumped.")[0]


def _recent(plan: Plan, books: Books, proven_ms: int, now_at: datetime, *, behind: bool) -> list[Alarm]:
    found = []
    strengths = strengths_of(plan, books)
    day = [one for one in books.recent if one.proven_ms > proven_ms - DAY_MS]
    for kind, of, what in (
        (Kind.DOSE_REFUSED, "refused", "refused in the last 24 h"),
        (Kind.DOSES_MISSED, "missed", "found missed in the last 24 h"),
        (
            Kind.DOSE_UNKNOWN,
            "unknown",
            "of which the end was not seen: it may all have gone in, and every limit counts it",
        ),
    ):
        for name in plan.channels:
            these = [one for one in day if one.kind == of and one.channel == name]
            if these:
                total = sum(one.volume_ul for one in these) / 1000
                doses = sum(one.doses for one in these)
                text = f"{name}: {counted(doses, 'dose')}, {total:.1f} mL, {what}."
                why = _why(name, these[-1].text)
                if why:
                    text += f" The last: {told(why)}"
                if of != "unknown":
                    daily = float(daily_volume_ul(plan, name, strengths)) / 1000
                    text += f" Nothing was pumped, and nothing is made up for; the plan gives {daily:.1f} mL a day."
                found.append(Alarm(kind, name, these[0].at, text, f"dosingd history --channel {name}"))
    found += [
        Alarm(Kind.CLOCK_MOVED, None, one.at, f"{one.text.capitalize()}. {_LAID_ANEW}", "dosingd status")
        for one in day
        if one.kind == "clock moved"
    ]
    for name in plan.channels:
        # An outage of weeks is booked at once when it ends; only what was due in the 48 h counts.
        lost: list[Recent] = [
            one
            for one in books.recent
            if one.channel == name
            and one.kind in ("refused", "missed")
            and (one.due_at is None or one.due_at > now_at - timedelta(hours=48))
        ]
        planned = 2 * float(daily_volume_ul(plan, name, strengths))
        # Days that a wrong clock went past are no part of 48 h that have passed.
        missing = min(planned, sum(one.volume_ul for one in lost))
        if planned > 0 and missing > (1 - SHORTFALL_SHARE) * planned:
            text = f"{name}: {missing / 1000:.1f} of {planned / 1000:.1f} mL were not given in the last 48 h"
            step = f"test the water, look at the clock, then: dosingd history --channel {name}"
            if behind:
                text += ", or the clock was wrong. Days that a wrong clock went past are dosed when they come, once the"
                text += " clock is confirmed."
                step = "if the clock is right now: dosingd release --clock"
            else:
                text += ". Test the water before anything is given by hand: what is missing is not made up for."
            found.append(Alarm(Kind.SHORTFALL, name, lost[0].at, text, step))
    return found
