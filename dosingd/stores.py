"""What the reservoirs' books say now: how far a level may be off, how near the reserve it is, and what to be warned of.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from datetime import datetime

from dosingd.acceptance import lag_caution, lag_text
from dosingd.books import Books
from dosingd.daily import daily_volume_ul
from dosingd.flows import flow_of, valid_calibration
from dosingd.leases import LEASE_MARGIN_S
from dosingd.plan.model import Plan
from dosingd.reservoir import FLOW_TOLERANCE, FlowCheck, level_uncertainty_ul, low
from dosingd.strengths import confirm, stock_differs, strengths_of
from dosingd.upkeep import Finding, why_none
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
    """How far a reservoir's level may lie from its books, in µL; 0 where nothing was booked, and all of it where no
    level is known."""
    filling = books.fillings.get(channel)
    if filling is None:
        return 0
    if filling.too_small is not None:
        return max(0, books.contents[channel].left_ul)
    return level_uncertainty_ul(filling, flow_share(plan, books, channel))


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

FLOW_ERROR, LEVEL_DIFFERS, STOCK_DIFFERS = "flow-error", "level-differs", "stock-differs"
NOT_BOOKED = "reservoir-unknown"


def found(plan: Plan, books: Books, now_at: datetime) -> tuple[Finding, ...]:
    """What the reservoirs' books have to warn of."""
    warned = []
    for name in plan.channels:
        differs = stock_differs(plan, books, name)
        if differs is not None:
            text = f"{name}: {differs}. Nothing of it is dosed until a person has said which is right."
            warned.append(Finding(STOCK_DIFFERS, name, now_at, text, after_differing(plan, books, name)))
        if name not in books.contents:
            text = (
                f"{name}: no refill was booked: nobody knows level and strength. It gives the plan's"
                f" {ml(float(daily_volume_ul(plan, name, strengths_of(plan, books))))} a day, and stops at no reserve."
            )
            warned.append(Finding(NOT_BOOKED, name, now_at, text, f"dosingd refill {name} --to V"))
        warned += level_findings(name, books)
        text = flow_text(name, books.checks.get(name, ()))
        if text:
            warned.append(Finding(FLOW_ERROR, name, books.checks[name][-1].at, text, f"dosingd calibrate {name}"))
    return tuple(warned)


def after_differing(plan: Plan, books: Books, name: str) -> str:
    """What a person does where plan and reservoir differ. The plan comes first: a confirmation of a plan that is wrong
    is an overdose."""
    held, own = books.contents[name].stock, plan.channels[name].stock
    if held != own:
        return (
            f"name {held} in the plan (channels.{name}.stock), then: dosingd reload. Only if all in it is {own}:"
            f" {confirm(name)}"
        )
    return (
        f"look at the bottle. If the plan is wrong, mend it, then: dosingd reload. If all in it is as the plan says:"
        f" {confirm(name)}. If some was poured: dosingd refill {name} --to V --found V --stock NAME"
    )


def level_findings(name: str, books: Books) -> tuple[Finding, ...]:
    """A level that is not what the books say, until one is found that is: found otherwise at a refill, or more by the
    books than the plan's reservoir holds."""
    filling, check = books.fillings.get(name), books.gaps.get(name)
    if filling is not None and filling.too_small is not None:
        small = filling.too_small
        text = _too_small(name, small.left_ul, small.holds_ul)
        return (Finding(LEVEL_DIFFERS, name, small.at, text, measure(name)),)
    if check is None:
        return ()
    return (Finding(LEVEL_DIFFERS, name, check.at, gap_text(name, check, brief=True), after_gap(name, check)),)


def against_books(plan: Plan, books: Books) -> tuple[str, ...]:
    """Where a plan, in force or about to be, does not go with the books: what waits, what has ended or will, and what
    does not fit into a reservoir."""
    told = []
    for name, item in plan.channels.items():
        contents = books.contents.get(name)
        differs = stock_differs(plan, books, name)
        if differs is not None:
            told.append(f"{name}: {differs}, so it waits. Next: {after_differing(plan, books, name)}")
        if contents is None:
            told.append(
                f"{name}: no refill was booked, so nobody knows level and strength. Next: dosingd refill {name} --to V"
            )
        if valid_calibration(plan, books, name) is None:
            # It has not ended yet where another plan is in force; the plan in force ends nothing a second time.
            other = books.plan is None or books.plan.sha256 != plan.sha256
            ends = ", and ends for good with this plan" if other and books.tubing_of(name).holding else ""
            told.append(
                f"{name}: it does not dose, because {why_none(books, name)}{ends}. Next: dosingd calibrate {name}"
            )
        lag = lag_text(plan, books, name) or lag_caution(plan, books, name)
        if lag is not None:
            told.append(f"{lag} Next: dosingd calibrate {name}")
        if contents is not None and contents.left_ul > item.reservoir.holds_ul:
            told.append(_too_small(name, contents.left_ul, item.reservoir.holds_ul))
        told += [f"{each.text} Next: {each.next_step}" for each in level_findings(name, books)]
    return tuple(told)


def _too_small(name: str, left_ul: int, holds_ul: int) -> str:
    return (
        f"{name}: by the books {ml(left_ul)} were in its reservoir, and by the plan it holds {ml(holds_ul)}. So its"
        " level is not known: the books go on from what it holds, and it may run dry sooner."
    )


def measure(name: str) -> str:
    """The command by which a person says a level as it was measured, without pouring."""
    return f"measure the level, and say it twice: dosingd refill {name} --to V --found V"


def gap_text(name: str, check: FlowCheck, *, brief: bool = False) -> str:
    """What a level says that neither readings nor pump explain, with the numbers, and when the alarm ends; `brief` for
    a phone, which shows some 250 characters."""
    gap_ul = abs(check.gap_ul)
    text = (
        f"{name}: {ml(check.found_ul)} were found, {ml(gap_ul)} {'less' if check.gap_ul > 0 else 'more'} than by the"
        f" books, of which at most {ml(check.pump_ul)} can be the pump's and {ml(check.readings_ul)} a misread level."
    )
    if brief:
        if check.gap_ul > 0:
            return f"{text} A siphon, a leak, a spill or a mistyped figure? Test the water before it doses on."
        if came_back(check):
            return f"{text} If water of the tank came back, the stock is thinner than its books."
        return f"{text} Did the pump run? What is booked as given may be missing in the tank."
    if check.gap_ul > 0:
        text += (
            " A siphon, a leak, a spill or a mistyped figure? What is missing may be in the tank: test the water before"
            " it doses on."
        )
    elif came_back(check):
        text += (
            " That is more than it was filled to: water of the tank came back through the line, a top-up was not"
            " booked, or a figure was mistyped. If it came back, the stock is thinner than its books: fill it anew."
        )
    else:
        text += (
            " Did the pump run? A cut-off that tripped, a pump without its supply, a top-up that was not booked, or a"
            " mistyped figure: what is booked as given may be missing in the tank."
        )
    return f"{text} It ends when a level is found that agrees with the books."


def came_back(check: FlowCheck) -> bool:
    """Whether more was found than it had been filled to."""
    return check.found_ul > check.to_ul + check.readings_ul


def after_gap(name: str, check: FlowCheck) -> str:
    """The step that follows what `gap_text` says."""
    if came_back(check):
        return f'dosingd refill {name} --to V --found "0 mL"'
    return measure(name)


def flow_text(name: str, checks: tuple[FlowCheck, ...]) -> str:
    """What the refills since the last calibration say of the flow; empty while they are content."""
    if not checks:
        return ""
    newest = checks[-1]
    errors = [check.error or 0.0 for check in checks]
    same_way = len(checks) >= 3 and all(check.tells for check in checks) and len({error > 0 for error in errors}) == 1
    if not newest.alarms and not same_way:
        return ""
    way = "more" if errors[-1] > 0 else "less"
    text = (
        f"{name}: its pump gave {abs(errors[-1]) * 100:.1f} % {way} than was booked since the last refill (±"
        f" {(newest.uncertainty or 0.0) * 100:.1f} %): {ml(newest.found_ul)} were left, {ml(newest.expected_ul)} by the"
        " books."
    )
    if same_way:
        listed = ", ".join(f"{error * 100:+.1f} %" for error in errors)
        text += f" Three refills say so: {listed}."
    else_ = (
        "look for a leak or a siphon"
        if errors[-1] > 0
        else "see whether its cut-off tripped or its supply failed, or a top-up was not booked"
    )
    return f"{text} Calibrate it; if it is right after that, {else_}."
