"""Faults that need the timetable and the allowance: a day that cannot be laid, a limit that would refuse planned doses.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from attrs import frozen

from dosingd.checking.days import laid
from dosingd.checking.figures import ChannelFigures, Smallest, figures, smallest_limits, smallest_rise_umol
from dosingd.checking.warnings import warnings
from dosingd.daily import gives
from dosingd.errors import CannotLay, Fault
from dosingd.plan import Marks, Plan
from dosingd.plan.amounts import shown_change, shown_ml
from dosingd.records import Substance
from dosingd.words import plain


@frozen
class Look:
    """A plan looked at: what is wrong, what is doubtful, each by its place, and the figures of every channel."""

    faults: tuple[Fault, ...]
    warnings: tuple[Fault, ...]
    channels: dict[str, ChannelFigures]


def check(plan: Plan, marks: Marks) -> tuple[tuple[Fault, ...], tuple[Fault, ...]]:
    """Faults and warnings of a plan that was read, each by its place."""
    seen = look(plan, marks)
    return seen.faults, seen.warnings


def look(plan: Plan, marks: Marks) -> Look:
    """Faults, warnings and the figures of every channel."""
    try:
        sequences = tuple(laid(plan))
    except CannotLay as cannot:
        fault = marks.fault(_whose(plan, cannot), f"{cannot.reason} {cannot.cure}")
        return Look((fault,), warnings(plan, marks), figures(plan))
    smallest = smallest_limits(plan, sequences)
    shown = figures(plan, smallest)
    faults = []
    for channel in plan.channels:
        faults += _limits(plan, marks, channel, shown[channel], smallest[channel])
    for substance in (Substance.ALKALINITY, Substance.CALCIUM, Substance.MAGNESIUM):
        faults += _rise(plan, marks, substance, smallest_rise_umol(plan, sequences, substance))
    return Look(tuple(_by_place(faults)), warnings(plan, marks), shown)


def _by_place(faults: list[Fault]) -> list[Fault]:
    return sorted(faults, key=lambda fault: (fault.line, fault.column, fault.path))


def _whose(plan: Plan, cannot: CannotLay) -> str:
    """The channel that the reason names first, where only one is named."""
    named = [channel for channel in plan.channels if channel in cannot.reason.replace(",", " ").split()]
    return f"channels.{named[0]}" if len(named) == 1 else "channels"


def _limits(plan: Plan, marks: Marks, channel: str, shown: ChannelFigures, smallest: Smallest) -> list[Fault]:
    item = plan.channels[channel]
    faults = []
    if smallest.day_ul > item.limits.day_ul:
        daily_ul = shown.daily_ml * 1000
        faults.append(
            marks.fault(
                f"channels.{channel}.limits.day",
                f"{shown_ml(daily_ul)} a day in {item.doses} doses would not all be let through by a day limit of"
                f" {shown_ml(item.limits.day_ul)}. Raise it to {shown_ml(smallest.day_ul, up=True)} or more, or lower"
                f" daily to {shown_ml(daily_ul * item.limits.day_ul / smallest.day_ul, up=False)}, or plan more doses.",
            )
        )
    if smallest.run_ms > item.limits.run_s * 1000:
        faults.append(
            marks.fault(
                f"channels.{channel}.limits.run",
                f"the planned doses would not all be let through by a run limit of {plain(item.limits.run_s)} s."
                f" Raise it to {-(-smallest.run_ms // 1000)} s or more, or lower daily.",
            )
        )
    return faults


def _rise(plan: Plan, marks: Marks, substance: Substance, smallest_umol: int) -> list[Fault]:
    """The tightest rise limit of a substance holds for all the channels that give it, so it is the one to mend."""
    limits = {
        channel: item.limits.rise_umol
        for channel, item in plan.channels.items()
        if item.limits.rise_umol is not None and gives(plan, channel) is substance
    }
    if not limits:
        return []
    channel = min(limits, key=lambda each: limits[each])
    if smallest_umol <= int(limits[channel]):
        return []
    water_l = plan.tank.water_l
    return [
        marks.fault(
            f"channels.{channel}.limits.rise",
            "the planned doses would not all be let through by a rise limit of"
            f" {shown_change(limits[channel] / 1000 / water_l, substance)} a day. Raise it to"
            f" {shown_change(smallest_umol / 1000 / water_l, substance, up=True)} or more, or lower daily.",
        )
    ]
