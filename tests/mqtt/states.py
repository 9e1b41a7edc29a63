"""A rig's state and doses to be told. All demo data is invented."""

from __future__ import annotations

from datetime import UTC, datetime

from dosingd.alarms import Alarm, Kind
from dosingd.kept import LastDose
from dosingd.mqtt import DoseEvent
from dosingd.records import Outcome, Reading
from dosingd.state import CalibrationState, ChannelState, ReservoirState, RigState

#: In winter, when London's clocks are UTC's and Lisbon's too: a zone with an offset tells more.
ZONE = "Europe/Madrid"
NOW_AT = datetime(2026, 1, 15, 12, 0, 0, 250_000, tzinfo=UTC)


def channel(name: str = "alk", **changed: object) -> ChannelState:
    """A channel of which everything is known."""
    known: dict[str, object] = {
        "id": name,
        "given_today_ul": 31_517,
        "planned_today_ul": 68_201,
        "allowance_ul": 12_345,
        "next_dose_at": datetime(2026, 1, 15, 12, 30, 0, 123_000, tzinfo=UTC),
        "last_dose": LastDose(datetime(2026, 1, 15, 11, 30, 0, 456_000, tzinfo=UTC), Outcome.GIVEN, 2841, 2841),
        "waiting_for": None,
        "reservoir": ReservoirState(left_ul=1_534_002, days_left=21.0263, low=False, stock="soda"),
        "calibration": CalibrationState(ul_per_s=248.3333, at=None, runs=5, source="measured"),
    }
    return ChannelState(**(known | changed))  # type: ignore[arg-type]


def state(*channels: ChannelState, rig: str = "lagoon", **changed: object) -> RigState:
    """A healthy rig, with two channels unless others are named."""
    known: dict[str, object] = {
        "at": Reading(NOW_AT, "boot-1", 1000.0, True),
        "rig": rig,
        "timezone": ZONE,
        "plan_sha256": "ab" * 32,
        "version": "1.2.3",
        "started_at": datetime(2026, 1, 14, 23, 0, 0, tzinfo=UTC),
        "held": False,
        "held_reason": None,
        "paused_until_at": None,
        "clock_trusted": True,
        "clock_source": "network",
        "channels": {one.id: one for one in channels or (channel("alk"), channel("ca"))},
        "alarms": (),
    }
    return RigState(**(known | changed))  # type: ignore[arg-type]


def alarm(**changed: object) -> Alarm:
    known: dict[str, object] = {
        "kind": Kind.RESERVOIR_LOW,
        "channel": "alk",
        "since": datetime(2026, 1, 15, 10, 0, 0, tzinfo=UTC),
        "text": "alk: 412 mL left, 5 days",
        "next_step": "dosingd refill alk --to VOLUME",
    }
    return Alarm(**(known | changed))  # type: ignore[arg-type]


def dose(number: int = 1, name: str = "alk") -> DoseEvent:
    return DoseEvent(
        channel=name,
        slot=f"2026-01-15/{name}/{number}",
        due_at=datetime(2026, 1, 15, 11, 30, tzinfo=UTC),
        started_at=datetime(2026, 1, 15, 11, 30, 0, 456_000, tzinfo=UTC),
        outcome=Outcome.GIVEN,
        asked_ul=2841,
        given_ul=2841,
    )
