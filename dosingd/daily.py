"""What each channel gives a day: the plan speaks chemistry, millilitres follow from the strength that is really there.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from fractions import Fraction

from dosingd.chemistry.stock import Strength
from dosingd.plan.model import Channel, DailyChange, DailyVolume, Plan
from dosingd.records import Substance

Strengths = Mapping[str, Strength | None]


def plan_strengths(plan: Plan) -> dict[str, Strength | None]:
    """The strength of each channel's stock as the plan states it."""
    return {channel: plan.stock_of(channel).strength for channel in plan.channels}


def gives(plan: Plan, channel: str) -> Substance:
    """What the channel is there for."""
    return plan.stock_of(channel).gives


def per_ul_umol(plan: Plan, channel: str, strengths: Strengths) -> float:
    """µmol (µeq) of the channel's own substance in a microlitre; 0 without a strength, or without the channel."""
    strength = strengths.get(channel)
    return 0.0 if strength is None else strength.of(gives(plan, channel))


def asked_umol(plan: Plan, channel: str, strengths: Strengths, volume_ul: int) -> float | None:
    """The planned change that a volume is, in µmol (µeq) of the channel's own substance; None without a strength."""
    per_ul = per_ul_umol(plan, channel, strengths)
    return volume_ul * per_ul if per_ul > 0 else None


def daily_change_umol(plan: Plan, channel: str, strengths: Strengths) -> float | None:
    """The tank's planned change a day from this channel, in µmol (µeq for alkalinity) of its own substance.

    A follower of alkalinity gives 1 mol of calcium for 2 eq (CaCO3), or `per_meq_umol`. None when the channel is
    planned by volume and its stock has no strength.
    """
    daily = plan.channels[channel].daily
    if isinstance(daily, DailyChange):
        return daily.change_umol
    if isinstance(daily, DailyVolume):
        strength = strengths[channel]
        return None if strength is None else daily.volume_ul * strength.of(gives(plan, channel))
    leader = daily_change_umol(plan, daily.channel, strengths)
    if leader is None:
        return None
    if daily.per_meq_umol is not None:
        return leader / 1000 * daily.per_meq_umol
    if gives(plan, daily.channel) is gives(plan, channel):
        return leader
    return leader / 2 if gives(plan, daily.channel) is Substance.ALKALINITY else leader * 2


def daily_volume_ul(plan: Plan, channel: str, strengths: Strengths) -> Fraction:
    """The exact volume a day in µL, not rounded: the change wanted over the strength that is there.

    Zero when the strength is zero: a stock that adds nothing cannot be dosed by what it adds.
    """
    item: Channel = plan.channels[channel]
    if isinstance(item.daily, DailyVolume):
        return Fraction(item.daily.volume_ul)
    change = daily_change_umol(plan, channel, strengths)
    per_ul = per_ul_umol(plan, channel, strengths)
    if change is None or per_ul <= 0:
        return Fraction(0)
    return Fraction(change) / Fraction(per_ul)


def day_volume_ul(daily_ul: Fraction, day: date) -> int:
    """Whole µL of one dosing day: floor(v(n+1)) - floor(v n), n the day's number, so that remainders carry (R12)."""
    number = day.toordinal()
    return int(daily_ul * (number + 1) // 1) - int(daily_ul * number // 1)
