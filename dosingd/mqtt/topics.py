"""The rig's state as topics and payloads.

Times are RFC 3339 with the plan's offset, those of doses with milliseconds; volumes are mL to 0.001; unknown is null.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from attrs import field, frozen

from dosingd.records import Outcome
from dosingd.state import ChannelState, RigState

BASE = "dosingd"
ONLINE = "online"
OFFLINE = "offline"


@frozen
class Message:
    """What is published on a topic. An empty payload that is retained takes the topic off the broker."""

    topic: str
    payload: str
    retain: bool
    #: The payload without what creeps by itself (an allowance fills all the time): two messages that differ only
    #: there are not worth publishing both. None: all of the payload counts.
    lasting: str | None = field(default=None, eq=False, repr=False)

    @property
    def worth(self) -> str:
        """What must differ from the message before, for this one to be published at once."""
        return self.payload if self.lasting is None else self.lasting


@frozen
class DoseEvent:
    """What became of one dose of whatever purpose. `started_at` is None when no pump was started, `due_at` and `slot`
    when no timetable asked for it."""

    channel: str
    slot: str | None
    due_at: datetime | None
    started_at: datetime | None
    outcome: Outcome
    asked_ul: int
    given_ul: int
    reason: str = ""


def base(rig: str) -> str:
    """The topic below which everything of a rig stands."""
    return f"{BASE}/{rig}"


def alive_topic(rig: str) -> str:
    """The topic that says whether a rig is there; its last will is on it."""
    return f"{base(rig)}/alive"


def alive_message(rig: str, *, online: bool) -> Message:
    """`online` or `offline`, retained."""
    return Message(alive_topic(rig), ONLINE if online else OFFLINE, retain=True)


def messages(state: RigState) -> tuple[Message, ...]:
    """The whole state: one message of the rig and one for each channel, all retained."""
    zone = ZoneInfo(state.timezone)
    return (_rig(state, zone), *(_channel(state.rig, zone, channel) for channel in state.channels.values()))


def dose_message(rig: str, zone: str, dose: DoseEvent) -> Message:
    """One dose as it ended, not retained; times in the zone of that name."""
    info = ZoneInfo(zone)
    payload = {
        "slot": dose.slot,
        "due_at": _to_ms(dose.due_at, info),
        "started_at": _to_ms(dose.started_at, info),
        "outcome": str(dose.outcome),
        "asked_ul": dose.asked_ul,
        "given_ul": dose.given_ul,
        "reason": dose.reason,
    }
    return Message(f"{_channel_topic(rig, dose.channel)}/dose", _json(payload), retain=False)


def _channel_topic(rig: str, channel: str) -> str:
    return f"{base(rig)}/channel/{channel}"


def _rig(state: RigState, zone: ZoneInfo) -> Message:
    payload = {
        "held": state.held,
        "held_reason": state.held_reason,
        "paused_until": _to_s(state.paused_until_at, zone),
        "clock_trusted": state.clock_trusted,
        "plan_sha256": state.plan_sha256 or None,
        "version": state.version or None,
        "started_at": _to_s(state.started_at, zone),
        "alarms": [
            {
                "kind": str(alarm.kind),
                "channel": alarm.channel,
                "since": _to_s(alarm.since, zone),
                "text": alarm.text,
                "next_step": alarm.next_step,
            }
            for alarm in state.alarms
        ],
    }
    # An alarm whose beginning nobody has booked is reckoned from now each time: `since` alone is no news.
    known = [(str(alarm.kind), alarm.channel, alarm.text, alarm.next_step) for alarm in state.alarms]
    return Message(f"{base(state.rig)}/rig", _json(payload), retain=True, lasting=_json({**payload, "alarms": known}))


def _channel(rig: str, zone: ZoneInfo, channel: ChannelState) -> Message:
    last = channel.last_dose
    payload = {
        "given_today_ml": _ml(channel.given_today_ul),
        "planned_today_ml": _ml(channel.planned_today_ul),
        "allowance_ml": _ml(channel.allowance_ul),
        "reservoir_left_ml": _ml(channel.reservoir.left_ul),
        "reservoir_days": _figure(channel.reservoir.days_left, 2),
        "low": channel.reservoir.low,
        "next_dose_at": _to_ms(channel.next_dose_at, zone),
        # Nothing here says what became of the dose, so one that was missed or refused must not look like a dose.
        "last_dose_at": _to_ms(last.at, zone) if last is not None and last.given_ul > 0 else None,
        "flow_ml_per_min": _figure(channel.calibration.ul_per_s * 60 / 1000, 4),
        "calibration_due": None,  # nothing in the plan or the ledger says when
        "waiting_for": channel.waiting_for,
    }
    # Without a trusted clock the next dose is so many seconds from now, which trembles by a millisecond.
    steady = {**payload, "allowance_ml": None, "next_dose_at": _to_s(channel.next_dose_at, zone)}
    return Message(_channel_topic(rig, channel.id), _json(payload), retain=True, lasting=_json(steady))


def _ml(volume_ul: int | None) -> float | None:
    return None if volume_ul is None else round(volume_ul / 1000, 3)


def _figure(value: float | None, places: int) -> float | None:
    """A figure to so many places; what is not finite is not known, and JSON has no word for it."""
    return None if value is None or not math.isfinite(value) else round(value, places)


def _to_s(at: datetime | None, zone: ZoneInfo) -> str | None:
    """To the nearest second, because the end of a pause is reckoned anew each time and falls on either side of it."""
    return None if at is None else (at + timedelta(milliseconds=500)).astimezone(zone).isoformat(timespec="seconds")


def _to_ms(at: datetime | None, zone: ZoneInfo) -> str | None:
    return None if at is None else at.astimezone(zone).isoformat(timespec="milliseconds")


def _json(payload: Mapping[str, Any]) -> str:
    """JSON that can be sent: text from a command line may hold bytes that are no UTF-8."""
    text = json.dumps(payload, ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8", "replace").decode("utf-8")
