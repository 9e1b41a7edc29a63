"""The alarms: what is wrong now, in words with numbers, and the next step.

An alarm is derived from the present state each time, so it is raised when its cause begins and ends when it is over.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from enum import StrEnum

from attrs import frozen

from dosingd.books import Books, Recent
from dosingd.daily import daily_volume_ul, gives
from dosingd.leases import LEASE_MARGIN_S
from dosingd.plan.model import Plan, WithoutClock
from dosingd.records import Reading, Substance
from dosingd.reservoir import days_left, low
from dosingd.strengths import strengths_of
from dosingd.trust import UNCLOCKED_AFTER_S, Trust

DAY_MS = 24 * 3600 * 1000
#: Over 48 h, less than this share of the plan given is a shortfall.
SHORTFALL_SHARE = 0.7


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
    CANNOT_LAY = "cannot-lay"
    NO_STRENGTH = "no-strength"
    NO_LEDGER = "no-ledger"
    INPUT_WANTED = "input-wanted"


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
    if books.held is not None:
        found.append(
            Alarm(Kind.HELD, None, books.held_since_at or now_at, f"All pumps are off: {books.held}", "dosingd release")
        )
    if cannot_lay is not None:
        found.append(Alarm(Kind.CANNOT_LAY, None, now_at, f"Today cannot be laid: {cannot_lay}", "dosingd check PLAN"))
    found += _clock(plan, reading, trust)
    found += _reservoirs(plan, books, now_at)
    found += _recent(plan, books, books.proven_ms(reading), now_at)
    return tuple(found)


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
    text = f"The clock is not trusted: {why}. No scheduled dose until it is."
    return [Alarm(Kind.CLOCK_UNTRUSTED, None, since_at, text, "dosingd status")]


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
        daily = daily_volume_ul(plan, name, strengths)
        flow = books.flow(name, channel.pump.nominal_ul_per_s)
        # What the gate wants to find for the next dose: the dose, and what the pump gives to the end of its lease.
        next_ul = daily / max(1, channel.doses) + math.ceil(flow.ul_per_s * LEASE_MARGIN_S)
        if daily > 0 and left - reserve < next_ul:
            text = (
                f"{name}: {left / 1000:.0f} mL left, {reserve / 1000:.0f} mL of them reserve. The channel stops here."
            )
            found.append(Alarm(Kind.RESERVOIR_RESERVE, name, now_at, text, f"dosingd refill {name} --to VOLUME"))
        elif low(left, channel.reservoir, daily):
            days = days_left(left, channel.reservoir, daily) or 0.0
            text = f"{name}: {left / 1000:.0f} mL left, enough for {days:.1f} days."
            found.append(Alarm(Kind.RESERVOIR_LOW, name, now_at, text, f"dosingd refill {name} --to VOLUME"))
    return found


def _recent(plan: Plan, books: Books, proven_ms: int, now_at: datetime) -> list[Alarm]:
    found = []
    day = [one for one in books.recent if one.proven_ms > proven_ms - DAY_MS]
    for kind, of, what in (
        (Kind.DOSE_REFUSED, "refused", "refused in the last 24 h"),
        (Kind.DOSES_MISSED, "missed", "found missed in the last 24 h"),
        (Kind.DOSE_UNKNOWN, "unknown", "booked in full because the end of the run was not seen"),
    ):
        for name in plan.channels:
            these = [one for one in day if one.kind == of and one.channel == name]
            if these:
                total = sum(one.volume_ul for one in these) / 1000
                doses = sum(one.doses for one in these)
                text = (
                    f"{name}: {doses} dose{'' if doses == 1 else 's'}, {total:.1f} mL, {what}. "
                    f"The last: {these[-1].text}"
                )
                found.append(Alarm(kind, name, these[0].at, text, f"dosingd history --channel {name}"))
    found += [
        Alarm(Kind.CLOCK_MOVED, None, one.at, f"{one.text.capitalize()}; the day was laid anew.", "dosingd status")
        for one in day
        if one.kind == "clock moved"
    ]
    strengths = strengths_of(plan, books)
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
        missing = sum(one.volume_ul for one in lost)
        if planned > 0 and missing > (1 - SHORTFALL_SHARE) * planned:
            text = f"{name}: {missing / 1000:.1f} of {planned / 1000:.1f} mL were not given in the last 48 h."
            found.append(Alarm(Kind.SHORTFALL, name, lost[0].at, text, f"dosingd history --channel {name}"))
    return found
