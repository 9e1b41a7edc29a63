"""A plan's key figures by channel: what it gives a day, the smallest limits that let it, what a stuck pump would add.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from attrs import frozen

from dosingd import units
from dosingd.allowance import FILL_SPAN_MS, smallest_day_limit_ul
from dosingd.calibration import volume_ul_from_run_s
from dosingd.checking.days import LaidDays, nominal_flows
from dosingd.daily import daily_change_umol, daily_volume_ul, gives, plan_strengths
from dosingd.leases import LEASE_MARGIN_S
from dosingd.plan.model import Plan
from dosingd.records import Substance
from dosingd.timetable import Dose

#: A tank whose alkalinity fell by so much needs a person. Common practice, no source.
LOW_DKH = 1.5
#: The share of a limit that FILL_SPAN_MS earns (R2), and a day's share of that span.
_EARNED_A_DAY = 0.75 * 86_400_000 / FILL_SPAN_MS

Takes = list[tuple[float, int, int]]


@frozen
class ChannelFigures:
    """One channel of a plan in figures. `daily_change` and `per_minute_stuck_on` are in the same unit, dKH or mg/L of
    the tank; both are None for a stock without a strength."""

    daily_ml: float
    daily_change: tuple[float, str] | None
    day_limit_ml: float
    smallest_day_limit_ml: float | None  #: None when a day cannot be laid
    per_minute_stuck_on: float | None
    reservoir_change: tuple[float, str] | None  #: what the whole reservoir would add
    full_days: float | None  #: how long a full reservoir lasts, down to its reserve


@frozen
class Smallest:
    """The smallest limits per 24 h with which no planned dose is ever refused."""

    day_ul: int
    run_ms: int


def figures(plan: Plan, smallest: Mapping[str, Smallest] | None = None) -> dict[str, ChannelFigures]:
    """The figures of every channel; `smallest` as `smallest_limits` finds it, None when a day cannot be laid."""
    smallest = smallest or {}
    strengths = plan_strengths(plan)
    result = {}
    for channel, item in plan.channels.items():
        daily_ul = float(daily_volume_ul(plan, channel, strengths))
        change_umol = daily_change_umol(plan, channel, strengths)
        usable_ul = item.reservoir.holds_ul - item.reservoir.reserve_ul
        stuck = _tank_change(plan, channel, item.pump.nominal_ul_per_s * 60)
        result[channel] = ChannelFigures(
            daily_ml=units.ml_from_ul(daily_ul),
            daily_change=(
                None
                if change_umol is None or gives(plan, channel) is Substance.OTHER
                else units.shown_change(change_umol / 1000 / plan.tank.water_l, gives(plan, channel))
            ),
            day_limit_ml=units.ml_from_ul(item.limits.day_ul),
            smallest_day_limit_ml=units.ml_from_ul(smallest[channel].day_ul) if channel in smallest else None,
            per_minute_stuck_on=stuck[0] if stuck else None,
            reservoir_change=_tank_change(plan, channel, item.reservoir.holds_ul),
            full_days=usable_ul / daily_ul if daily_ul > 0 else None,
        )
    return result


def _tank_change(plan: Plan, channel: str, volume_ul: float) -> tuple[float, str] | None:
    strength = plan.stock_of(channel).strength
    substance = gives(plan, channel)
    if strength is None or strength.of(substance) <= 0:
        return None
    return units.shown_change(volume_ul * strength.of(substance) / 1000 / plan.tank.water_l, substance)


def hours_until_low(plan: Plan) -> float | None:
    """Hours until the tank's alkalinity has fallen by 1.5 dKH with every pump off; None without alkalinity channels."""
    strengths = plan_strengths(plan)
    daily = sum(
        daily_change_umol(plan, channel, strengths) or 0.0
        for channel in plan.channels
        if gives(plan, channel) is Substance.ALKALINITY
    )
    if daily <= 0:
        return None
    return LOW_DKH / units.dkh_from_meq_per_l(daily / 1000 / plan.tank.water_l) * 24


def smallest_limits(plan: Plan, sequences: Sequence[LaidDays]) -> dict[str, Smallest]:
    """The smallest day limit (µL) and motor limit (ms) of every channel over all sequences of days."""
    result = {}
    by_channel = [sequence.by_channel(plan) for sequence in sequences]
    daily = {channel: daily_volume_ul(plan, channel, plan_strengths(plan)) for channel in plan.channels}
    for channel, item in plan.channels.items():
        volumes = [_volumes(plan, channel, each[channel]) for each in by_channel]
        times = [[_motor(second, dose) for second, dose in each[channel]] for each in by_channel]
        run_ms = float(daily[channel]) / item.pump.nominal_ul_per_s * 1000
        result[channel] = Smallest(
            _smallest(volumes, float(daily[channel])),
            _smallest(times, run_ms),
        )
    return result


def smallest_rise_umol(plan: Plan, sequences: Sequence[LaidDays], substance: Substance) -> int:
    """The smallest limit of the tank's change per 24 h in µmol (µeq), over all the channels that add the substance."""
    strengths = plan_strengths(plan)
    every = []
    for sequence in sequences:
        takes: Takes = []
        for channel, doses in sequence.by_channel(plan).items():
            strength = strengths[channel]
            per_ul = 0.0 if strength is None else strength.of(substance)
            if per_ul > 0:
                takes += [
                    (second, math.ceil(given * per_ul), math.ceil(reserved * per_ul))
                    for second, given, reserved in _volumes(plan, channel, doses)
                ]
        every.append(sorted(takes))
    daily = sum(
        float(daily_volume_ul(plan, channel, strengths)) * strength.of(substance)
        for channel, strength in strengths.items()
        if strength is not None
    )
    return _smallest(every, daily)


def _volumes(plan: Plan, channel: str, doses: Sequence[tuple[float, Dose]]) -> Takes:
    """What each dose takes of a volume limit: given in the end, and reserved to its lease's end (R1)."""
    flow = nominal_flows(plan)[channel]
    return [
        (second, dose.volume_ul, max(dose.volume_ul, volume_ul_from_run_s(dose.run_s + LEASE_MARGIN_S, flow)))
        for second, dose in doses
    ]


def _motor(second: float, dose: Dose) -> tuple[float, int, int]:
    return second, math.ceil(dose.run_s * 1000), math.ceil((dose.run_s + LEASE_MARGIN_S) * 1000)


def _smallest(every: Sequence[Takes], daily: float) -> int:
    """The smallest limit over sequences of days, and over a year: what a mean day takes must be earned in a day."""
    return max(math.ceil(daily / _EARNED_A_DAY), *(smallest_day_limit_ul(takes) for takes in every))
