"""What a running daemon knows to be wrong beside the books: the broker, a plan nobody confirmed or that was refused, a
session left open, a ledger that cannot be written. What each is said by is handed in; nothing here waits.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from attrs import define

from dosingd.alarms import Alarm, Kind, told, without_doses
from dosingd.leases import CONFIRM_PLAN, PLAN_CHANGED
from dosingd.mqtt.granted import Denied
from dosingd.plan.model import Plan
from dosingd.records import Reading
from dosingd.words import counted

#: Without the broker for so long, an alarm says so; shorter is a router that starts anew.
NO_BROKER_S = 600.0


@define
class BrokerAlarms:
    """What is wrong with the link to the broker, and since when."""

    _gone_since: tuple[float, datetime] | None = None
    _denied_since: datetime | None = None

    def found(self, reading: Reading, why_not: str | None, denied: Denied | None, *, stands: bool) -> list[Alarm]:
        """`why_not` says why the link does not stand, `denied` what does not pass on it; None: nothing. `stands`: the
        alarm of a link that is gone stands already, so it goes on however long ago that was."""
        return [*self._unreachable(reading, why_not, stands), *self._denies(reading, denied)]

    def _unreachable(self, reading: Reading, why_not: str | None, stands: bool) -> list[Alarm]:
        if why_not is None:
            self._gone_since = None
            return []
        if self._gone_since is None:
            self._gone_since = reading.mono_s, reading.wall_at
        since_mono_s, since_at = self._gone_since
        for_s = reading.mono_s - since_mono_s
        if for_s < NO_BROKER_S and not stands:
            return []
        text = (
            f"No broker for {for_s / 60:.0f} min: {why_not} Doses go on, but nobody hears of them, nor of other alarms."
        )
        return [Alarm(Kind.BROKER_UNREACHABLE, None, since_at, text, "see to the network or the broker")]

    def _denies(self, reading: Reading, denied: Denied | None) -> list[Alarm]:
        if denied is None:
            self._denied_since = None
            return []
        self._denied_since = self._denied_since or reading.wall_at
        return [Alarm(Kind.BROKER_DENIES, None, self._denied_since, denied.text, denied.next_step)]


def plan_alarms(
    plan: Plan, unconfirmed: tuple[str, ...], started_at: datetime, refused: tuple[datetime, str] | None
) -> list[Alarm]:
    """A plan that waits for a person's word since the start, or that a reload refused: when, and why."""
    if unconfirmed:
        text = f"Nothing is dosed, for {PLAN_CHANGED}: {told('; '.join(unconfirmed))}{without_doses(plan)}"
        return [Alarm(Kind.PLAN_CHANGED, None, started_at, text, CONFIRM_PLAN)]
    if refused is None:
        return []
    since_at, why = refused
    first, *more = why.splitlines()
    file, colon, rest = first.partition(":")
    first = f"{file.rpartition('/')[2]}{colon}{rest}"  # where in the file tells more than where the file lies
    text = f"The changed plan was refused, so the one before it stays in force: {told(first)}"
    if more:
        text += f" ({counted(len(more), 'line')} more: dosingd check)"
    return [Alarm(Kind.PLAN_REFUSED, None, since_at, text, "mend the plan, then: dosingd reload")]


def session_alarms(plan: Plan, left_open: Mapping[str, tuple[datetime, str]]) -> list[Alarm]:
    """Sessions by hand that ended by themselves: when, and what they had been."""
    return [
        Alarm(
            Kind.INPUT_WANTED,
            channel,
            at,
            f"{channel}: a session by hand was {how} and has ended. The channel doses again: is its outlet back"
            " over the tank?",
            f"dosingd prime {channel} --into cup",
        )
        for channel, (at, how) in left_open.items()
        if channel in plan.channels  # of one that a reload took out nobody could end it
    ]


def ledger_alarms(plan: Plan, fault: str | None, since_at: datetime | None) -> list[Alarm]:
    """A ledger that refuses a row."""
    if fault is None or since_at is None:
        return []
    why = told(fault.partition(" No pump runs")[0])
    text = f"No pump runs: the ledger cannot be written. {why}{without_doses(plan)}"
    return [Alarm(Kind.NO_LEDGER, None, since_at, text, "mend the disk, then start dosingd again")]
