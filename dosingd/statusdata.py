"""The snapshot of the rig as `status` prints it for programs, and what the ledger alone knows of it.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dosingd.agenda import dosing_day
from dosingd.alarms import Alarm
from dosingd.books import Books
from dosingd.kept import LastDose
from dosingd.records import Reading
from dosingd.state import ChannelState, RigState


def status_data(state: RigState, running: bool) -> dict[str, Any]:
    """The snapshot as `status` prints it: mL, RFC 3339 with the plan's offset, what is unknown as None."""
    zone = ZoneInfo(state.timezone)
    return {
        "running": running,
        "rig": state.rig,
        "held": state.held,
        "held_reason": state.held_reason,
        "stopped": state.stopped,
        "paused_until": _at(state.paused_until_at, zone),
        "clock": {
            "trusted": state.clock_trusted,
            "wall": _at(state.at.wall_at, zone),
            "source": state.clock_source,
        },
        "channels": {name: _channel_data(each, zone, running) for name, each in state.channels.items()},
        "alarms": [_alarm_data(alarm, zone) for alarm in state.alarms],
        "inputs": dict(state.inputs),
        "timezone": state.timezone,
        "plan_sha256": state.plan_sha256,
        "version": state.version or None,
        "started_at": _at(state.started_at, zone),
    }


def status_data_without_plan(books: Books, reading: Reading) -> dict[str, Any]:
    """What the ledger alone knows of the rig, in the form of `status_data`: no daemon runs and no plan is at hand, so
    all that follows from the plan is None."""
    loaded = books.plan
    zone = ZoneInfo("UTC" if loaded is None else loaded.timezone)
    day = dosing_day(books.zones, reading.wall_at).day if books.zones else None
    paused = books.paused(proven_ms := books.proven_ms(reading))
    paused_s = ((books.paused_until_ms or 0) - proven_ms) / 1000
    channels = {}
    for name in () if loaded is None else loaded.channels:
        tubed, contents, last = books.tubing_of(name).holding, books.contents.get(name), books.last_dose.get(name)
        known = tubed[-1] if tubed else None
        given_ul = 0 if day is None else books.account(day, name).given_ul + books.extra_ul.get(day, {}).get(name, 0)
        channels[name] = {
            "given_today_ml": None if day is None else given_ul / 1000,
            "planned_today_ml": None,
            "allowance_ml": None,
            "next_dose_at": None,
            "last_dose": None if last is None else _last_dose_data(last, zone),
            "waiting_for": NO_DAEMON,
            "reservoir": {
                "left_ml": None if contents is None else contents.left_ul / 1000,
                "days_left": None,
                "low": None,
                "stock": None if contents is None else contents.stock,
                "batch": None,
                "uncertainty_ml": None,
            },
            "calibration": {
                "flow_ml_per_min": None if known is None else known.event.flow_ul_per_s * 0.06,
                "at": None if known is None else _at(known.at, zone),
                "runs": 0 if known is None else len(known.event.runs),
                "interval95_percent": None if known is None else known.event.interval95_percent,
                "due_at": None,
                "source": None if known is None else known.event.source,
            },
        }
    return {
        "running": False,
        "rig": None if loaded is None else loaded.rig,
        "held": None if books.newest is None else books.held is not None,
        "held_reason": books.held,
        "stopped": None,
        "paused_until": _at(reading.wall_at + timedelta(seconds=paused_s) if paused else None, zone),
        "clock": {"trusted": None, "wall": _at(reading.wall_at, zone), "source": None},
        "channels": channels,
        "alarms": [],
        "inputs": {},
        "timezone": None if loaded is None else loaded.timezone,
        "plan_sha256": None if loaded is None else loaded.sha256,
        "version": None,
        "started_at": None,
    }


#: What a channel waits for while no daemon runs.
NO_DAEMON = "a running daemon"


def _at(at: datetime | None, zone: ZoneInfo, timespec: str = "seconds") -> str | None:
    return None if at is None else at.astimezone(zone).isoformat(timespec=timespec)


def _channel_data(state: ChannelState, zone: ZoneInfo, running: bool) -> dict[str, Any]:
    left_ul = state.reservoir.left_ul
    return {
        "given_today_ml": state.given_today_ul / 1000,
        "planned_today_ml": state.planned_today_ul / 1000,
        "allowance_ml": state.allowance_ul / 1000,
        "next_dose_at": _at(state.next_dose_at, zone, "milliseconds"),
        "last_dose": None if state.last_dose is None else _last_dose_data(state.last_dose, zone),
        "waiting_for": state.waiting_for or (None if running else NO_DAEMON),
        "reservoir": {
            "left_ml": None if left_ul is None else left_ul / 1000,
            "days_left": state.reservoir.days_left,
            "low": state.reservoir.low,
            "stock": state.reservoir.stock,
            "batch": state.reservoir.batch,
            "uncertainty_ml": None if state.reservoir.uncertainty_ul is None else state.reservoir.uncertainty_ul / 1000,
        },
        "calibration": {
            "flow_ml_per_min": state.calibration.ul_per_s * 0.06,
            "at": _at(state.calibration.at, zone),
            "runs": state.calibration.runs,
            "interval95_percent": state.calibration.interval95_percent,
            "due_at": _at(state.calibration.due_at, zone),
            "source": state.calibration.source,
        },
    }


def _last_dose_data(last: LastDose, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "at": _at(last.at, zone, "milliseconds"),
        "outcome": last.outcome.value,
        "asked_ul": last.asked_ul,
        "given_ul": last.given_ul,
        "reason": last.reason or None,
        "purpose": last.purpose.value,
    }


def _alarm_data(alarm: Alarm, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "kind": alarm.kind.value,
        "channel": alarm.channel,
        "since": _at(alarm.since, zone),
        "text": alarm.text,
        "next_step": alarm.next_step,
    }
