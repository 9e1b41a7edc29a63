"""What the reservoirs' books say now: how far a level may be off, how near the reserve it is, and what to be warned of.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from datetime import datetime

from dosingd.books import Books
from dosingd.daily import daily_volume_ul
from dosingd.flows import flow_of, valid_calibration
from dosingd.leases import LEASE_MARGIN_S
from dosingd.plan.model import Plan
from dosingd.reservoir import FLOW_TOLERANCE, FlowCheck, level_uncertainty_ul, low
from dosingd.strengths import confirm, stock_differs, strengths_of
from dosingd.upkeep import Finding
from dosingd.words import ml

#: How far a flow may be off where its calibration has no interval, as a share: what a calibration may drift by until it
#: falls due.
DEFAULT_FLOW_SHARE = FLOW_TOLERANCE
#: Tubing wears from the first day, so no interval is narrower for long. Common practice, no source.
LEAST_FLOW_SHARE = 0.02


# -- the level -----------------------------------------------------------------------------------------------


def flow_share(plan: Plan, books: Books, channel: str) -> float:
    """How far a channel's flow may be off, as a share of it: the 95 % interval of its calibration where that is known,
    LEAST_FLOW_SHARE at least; else DEFAULT_FLOW_SHARE."""
    known = valid_calibration(plan, books, channel)
    percent = None if known is None else known.event.interval95_percent
    return DEFAULT_FLOW_SHARE if percent is None else max(LEAST_FLOW_SHARE, percent / 100)


def uncertainty_ul(plan: Plan, books: Books, channel: str) -> int:
    """How far a reservoir's level may lie from its books, in µL; 0 where nothing was booked."""
    filling = books.fillings.get(channel)
    return 0 if filling is None else level_uncertainty_ul(filling, flow_share(plan, books, channel))


def is_low(plan: Plan, books: Books, channel: str) -> bool:
    """Whether the reservoir may last fewer days than the plan wants to be warned ahead, at the least that may be in it
    and down to its reserve. Never for one that was not booked."""
    contents = books.contents.get(channel)
    if contents is None:
        return False
    daily_ul = daily_volume_ul(plan, channel, strengths_of(plan, books))
    least_ul = contents.left_ul - uncertainty_ul(plan, books, channel)
    return low(least_ul, plan.channels[channel].reservoir, daily_ul)


def at_reserve(plan: Plan, books: Books, channel: str) -> bool:
    """Whether the reservoir has so little above its reserve that the gate refuses the next dose."""
    contents, item = books.contents.get(channel), plan.channels[channel]
    daily_ul = daily_volume_ul(plan, channel, strengths_of(plan, books))
    if contents is None or daily_ul <= 0:
        return False
    # What the gate wants to find: the dose, and what the pump gives to the end of its lease.
    lease_ul = math.ceil(flow_of(plan, books, channel).ul_per_s * LEASE_MARGIN_S)
    return contents.left_ul - item.reservoir.reserve_ul < daily_ul / max(1, item.doses) + lease_ul


# -- what to be warned of ------------------------------------------------------------------------------------

FLOW_ERROR, STOCK_DIFFERS = "flow-error", "stock-differs"


def found(plan: Plan, books: Books, now_at: datetime) -> tuple[Finding, ...]:
    """What the reservoirs' books have to warn of."""
    warned = []
    for name in plan.channels:
        differs = stock_differs(plan, books, name)
        if differs is not None:
            text = (
                f"{name}: {differs}. It waits until a person has said what is in it, and nothing goes into the tank. If"
                f" all of it is the plan's: {confirm(name)}. If some was poured: dosingd refill {name} --to V --found V"
                " --stock NAME. Else mend the plan, then: dosingd reload"
            )
            warned.append(Finding(STOCK_DIFFERS, name, now_at, text, confirm(name)))
        text = flow_text(name, books.checks.get(name, ()))
        if text:
            warned.append(Finding(FLOW_ERROR, name, books.checks[name][-1].at, text, after_flow(name, books)))
    return tuple(warned)


def after_flow(name: str, books: Books) -> str:
    """The command that follows what `flow_text` says: the pump calibrated, or thinned stock taken out."""
    came_back = (books.checks[name][-1].error or 0.0) <= -1
    return f'dosingd refill {name} --to V --found "0 mL"' if came_back else f"dosingd calibrate {name}"


def flow_text(name: str, checks: tuple[FlowCheck, ...]) -> str:
    """What the refills since the last calibration say of the flow; empty while they are content."""
    if not checks:
        return ""
    newest = checks[-1]
    errors = [check.error or 0.0 for check in checks]
    same_way = len(checks) >= 3 and all(check.tells for check in checks) and len({error > 0 for error in errors}) == 1
    if abs(errors[-1]) <= FLOW_TOLERANCE and not same_way:
        return ""
    if errors[-1] <= -1:
        return (
            f"{name}: {ml(newest.found_ul)} were found, more than it was filled to. Water of the tank came back through"
            " the line, or a level was misread. If it came back, the stock is thinner than its books: fill it anew."
        )
    way = "more" if errors[-1] > 0 else "less"
    text = (
        f"{name}: its pump gave {abs(errors[-1]) * 100:.1f} % {way} than was booked since the refill before (±"
        f" {(newest.uncertainty or 0.0) * 100:.1f} %): {ml(newest.found_ul)} were left, {ml(newest.expected_ul)} by the"
        " books."
    )
    if same_way:
        listed = ", ".join(f"{error * 100:+.1f} %" for error in errors)
        text += f" The last three refills all say so: {listed}."
    return f"{text} Calibrate it; if it is right after that, look for a leak or a siphon."
