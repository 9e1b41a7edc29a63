"""Plans for the timetable, built directly from the model. All invented demo data."""

from __future__ import annotations

from datetime import time

from dosingd.calibration import Flow
from dosingd.plan.model import (
    Apart,
    Channel,
    DailyVolume,
    Limits,
    LocalSpan,
    Plan,
    Pump,
    Reservoir,
    Tank,
    Window,
)


def span(from_: str, to: str) -> LocalSpan:
    return LocalSpan(time.fromisoformat(from_), time.fromisoformat(to))


def channel(
    name: str, doses: int, *when: Window, smallest_ul: int = 500, dose_ul: int = 4500, flow_ul_per_s: float = 250.0
) -> Channel:
    return Channel(
        name,
        "stock",
        DailyVolume(0),
        doses,
        Pump(17, flow_ul_per_s, smallest_ul),
        Limits(dose_ul, 115_000, 1000.0, None),
        Reservoir(2_000_000, 100_000),
        when,
    )


def plan(
    *channels: Channel, apart: tuple[Apart, ...] = (), quiet: tuple[LocalSpan, ...] = (), zone: str = "Europe/Lisbon"
) -> Plan:
    return Plan("lagoon", zone, Tank(280.0), {}, {one.id: one for one in channels}, apart=apart, quiet=quiet)


def flows(of: Plan) -> dict[str, Flow]:
    return {name: Flow(one.pump.nominal_ul_per_s) for name, one in of.channels.items()}


NIGHT = span("21:00", "09:00")

#: Three channels, alkalinity by night, half an hour of quiet.
LAGOON = plan(
    channel("alk", 24, Window(NIGHT, 0.6)),
    channel("ca", 24),
    channel("mg", 2, dose_ul=2000),
    apart=(Apart(("alk", "ca"), 1200.0), Apart(("alk", "mg"), 1200.0)),
    quiet=(span("19:00", "19:30"),),
)
LAGOON_UL = {"alk": 67_001, "ca": 67_123, "mg": 2_501}

#: The full night: laying alkalinity first and then fitting calcium in fails on the 23 h day.
FULL_NIGHT = plan(channel("alk", 24, Window(NIGHT, 0.7)), channel("ca", 24), apart=(Apart(("alk", "ca"), 1200.0),))
FULL_NIGHT_UL = {"alk": 67_003, "ca": 67_123}
