"""The flow that a channel's runs are timed by: its calibration where it has a valid one, else the nominal flow.

A calibration is of one head with one tubing on one line: what it was booked for and what the plan says now must be the
same, or it says nothing. Without one a channel does not dose (the gate sees to that); the nominal flow is for runs into
a cup and for looking ahead.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from dosingd.books import Books
from dosingd.calibration import Flow
from dosingd.plan.model import Channel, Plan
from dosingd.records import Calibrated, HeadRow
from dosingd.tubing import Calibration


def head_of(channel: Channel) -> HeadRow:
    """What a calibration of this channel holds for."""
    pump = channel.pump
    return HeadRow(pump.gpio, pump.nominal_ul_per_s, pump.speed, channel.line_ul)


def bench_calibration(channel: Channel, ul_per_s: float | None = None) -> Calibrated:
    """A calibration that nobody measured, for pretend pumps: at the nominal flow where none is named."""
    flow = channel.pump.nominal_ul_per_s if ul_per_s is None else ul_per_s
    return Calibrated(channel.id, flow, source="bench", head=head_of(channel))


def calibrations_of(plan: Plan, books: Books, channel: str) -> tuple[Calibration, ...]:
    """The calibrations that nothing has ended, on the tubing that is in and of the head that the plan names; newest
    last."""
    item = plan.channels.get(channel)
    if item is None:
        return ()
    head = head_of(item)
    return tuple(one for one in books.tubing_of(channel).holding if one.of(head, plan.sha256))


def valid_calibration(plan: Plan, books: Books, channel: str) -> Calibration | None:
    """The calibration that a channel's doses are timed by; None: it has none that holds, so it does not dose."""
    known = calibrations_of(plan, books, channel)
    return known[-1] if known else None


def flow_of(plan: Plan, books: Books, channel: str) -> Flow:
    """A channel's flow: calibrated where that holds, else nominal."""
    known = valid_calibration(plan, books, channel)
    if known is None:
        return Flow(plan.channels[channel].pump.nominal_ul_per_s)
    return Flow(known.event.flow_ul_per_s, known.event.lag_ul)
