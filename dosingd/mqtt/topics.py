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

from dosingd.alarms import Alarm
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
    #: Whether it is told again each minute although nothing changed.
    renew: bool = True

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


def is_ours(topic: str) -> bool:
    """Whether a topic stands below our base, as a rig's do and a hub's do not."""
    return topic.startswith(f"{BASE}/")


def alive_topic(rig: str) -> str:
    """The topic that says whether a rig is there; its last will is on it."""
    return f"{base(rig)}/alive"


def alive_message(rig: str, *, online: bool) -> Message:
    """`online` or `offline`, retained."""
    return Message(alive_topic(rig), ONLINE if online else OFFLINE, retain=True)


def order_topic(rig: str) -> str:
    """The topic on which a rig hears orders, if its plan allows any; nothing is ever retained there."""
    return f"{base(rig)}/order"


def answer_message(rig: str, order_id: str, answer: Mapping[str, Any]) -> Message:
    """The answer to one order, not retained. The id must be one that `orders` let pass."""
    return Message(f"{order_topic(rig)}/{order_id}", _json({"id": order_id, **answer}), retain=False)


def orders_message(rig: str, counts: Mapping[str, Any]) -> Message:
    """How many orders were taken and refused, retained. Creeps by itself in a flood, so it is told once a minute."""
    return Message(f"{base(rig)}/orders", _json(counts), retain=True, lasting="counts")


def messages(state: RigState) -> tuple[Message, ...]:
    """The whole state, all retained: one message of the rig, one for each channel, and one for each alarm that stands
    or that has ended."""
    zone = ZoneInfo(state.timezone)
    return (
        _rig(state, zone),
        *(_channel(state.rig, zone, channel) for channel in state.channels.values()),
        *(_alarm(state.rig, zone, alarm, raised=False) for alarm in state.ended),
        *(_alarm(state.rig, zone, alarm, raised=True) for alarm in state.alarms),
    )


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
    return Message(f"{channel_topic(rig, dose.channel)}/dose", _json(payload), retain=False)


def rig_topic(rig: str) -> str:
    """The topic of the rig as a whole."""
    return f"{base(rig)}/rig"


def channel_topic(rig: str, channel: str) -> str:
    """The topic of one channel."""
    return f"{base(rig)}/channel/{channel}"


def alarm_topic(rig: str, alarm: Alarm) -> str:
    """The topic of one kind of alarm, of the rig or of one of its channels."""
    return f"{base(rig)}/alarm/{alarm.kind}" + ("" if alarm.channel is None else f".{alarm.channel}")


def _alarm(rig: str, zone: ZoneInfo, alarm: Alarm, *, raised: bool) -> Message:
    return Message(alarm_topic(rig, alarm), _json({"raised": raised, **_alarm_data(alarm, zone)}), retain=True)


def _alarm_data(alarm: Alarm, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "kind": str(alarm.kind),
        "channel": alarm.channel,
        "since": alarm.since.astimezone(zone).isoformat(timespec="seconds"),
        "text": alarm.text,
        "next_step": alarm.next_step,
    }


def _rig(state: RigState, zone: ZoneInfo) -> Message:
    payload = {
        "held": state.held,
        "held_reason": state.held_reason,
        "paused_until": _to_s(state.paused_until_at, zone),
        "clock_trusted": state.clock_trusted,
        "plan_sha256": state.plan_sha256 or None,
        "version": state.version or None,
        "started_at": _to_s(state.started_at, zone),
        "alarms": [_alarm_data(alarm, zone) for alarm in state.alarms],
    }
    # `since` alone is no news.
    known = [(str(alarm.kind), alarm.channel, alarm.text, alarm.next_step) for alarm in state.alarms]
    return Message(rig_topic(state.rig), _json(payload), retain=True, lasting=_json({**payload, "alarms": known}))


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
        "calibration_due": _to_s(channel.calibration.due_at, zone),
        "waiting_for": channel.waiting_for,
    }
    # Without a trusted clock the next dose is so many seconds from now, which trembles by a millisecond.
    steady = {**payload, "allowance_ml": None, "next_dose_at": _to_s(channel.next_dose_at, zone)}
    # One that the motor's hours have made due is due now, whenever it is asked.
    steady["calibration_due"] = None if channel.calibration.due_at is None else str(channel.calibration.due_at.date())
    return Message(channel_topic(rig, channel.id), _json(payload), retain=True, lasting=_json(steady))


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
