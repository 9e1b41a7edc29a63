"""What a rehearsal came to."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime

from attrs import frozen

from dosingd.alarms import Alarm


@frozen
class ChannelDay:
    """One channel's day: planned by the plan, given by the ledger."""

    planned_ul: int
    given_ul: int
    doses: int
    refused: int
    missed: int


@frozen
class Day:
    date: date
    channels: Mapping[str, ChannelDay]


@frozen
class ChannelSum:
    """One channel over the whole rehearsal; `worst_24h_ul` is of the pretend pump's pulses, not of the ledger."""

    given_ul: int
    planned_ul: int
    reservoir_left_ul: int
    worst_24h_ul: int
    day_limit_ul: int
    refills: int


@frozen
class RaisedAlarm:
    """An alarm that was raised while rehearsing, and when it ended (None: it still stands)."""

    alarm: Alarm
    ended_at: datetime | None


@frozen
class Report:
    timezone: str
    days: tuple[Day, ...]
    channels: Mapping[str, ChannelSum]
    alarms: tuple[RaisedAlarm, ...]
