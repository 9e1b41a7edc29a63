"""By how much a new plan raises what is dosed or loosens what guards it: a reload that does so is asked about first,
and a start that finds such a plan holds the rig.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import time
from itertools import combinations

from dosingd.books import Books
from dosingd.daily import daily_change_umol, daily_volume_ul, gives, plan_strengths
from dosingd.flows import head_of
from dosingd.limits import plan_kept
from dosingd.plan.amounts import shown_change, shown_ml
from dosingd.plan.model import LocalSpan, Plan, Reservoir, WithoutClock
from dosingd.records import PlanLoaded, Substance
from dosingd.tubing import speed_of
from dosingd.words import plain, span_text

#: A channel's daily change may rise by this share without being asked about, and so may a limit. A keeper who raises
#: what corals take up goes in smaller steps (common practice, no source); what is more is as likely a slip of the pen.
RAISE = 0.2
_DAY_MIN = 24 * 60
#: What a start says of a ledger that an older version wrote, or of a plan that this version cannot read any more.
NOT_KEPT = "the plan before was not kept as this version reads it, so nobody knows what was changed"


def raised(old: Plan, new: Plan) -> tuple[str, ...]:
    """One line for everything in the new plan that a slip of the pen must not loosen; empty: there is none.

    Those are: a channel whose daily change or volume rises by more than RAISE, or that is new; a limit that does so, or
    a nominal flow that falls by more than RAISE, or a reserve; a faster speed; a shorter gap; less quiet time, or quiet
    times that move with the time zone; an input, a float or the keep-alive that is gone or wired otherwise; an order
    that the broker may give and might not; and a clock that is trusted, or done without, where it was not.

    Compared is what goes into the whole tank, so that a slip in the water's volume is one as well; and the volume by
    the plan's own strengths, so that a stock that is written down weaker is asked about, whatever is in the reservoir.
    """
    lines = []
    for name in new.channels:
        if name not in old.channels:
            lines.append(f"{name}: a new channel, {_amount(new, name)} a day; apart: {_apart_of(new, name)}")
            continue
        before, after = _daily(old, name), _daily(new, name)
        if before[1] != after[1]:
            before, after = _volume(old, name), _volume(new, name)
        # More mL for the same change is a stock that the plan says is weaker: what is in the reservoir may not be.
        if _more(before[0], after[0]) or _more(_volume(old, name)[0], _volume(new, name)[0]):
            lines.append(f"{name}: from {_amount(old, name)} a day to {_amount(new, name)}")
        lines += [f"{name}: {what}" for what in (*_limits(old, new, name), *_pump(old, new, name))]
        lines += [f"{name}: {what}" for what in _reservoir(old.channels[name].reservoir, new.channels[name].reservoir)]
    return (*lines, *_gaps(old, new), *_quiet(old, new), *_inputs(old, new), *_clock(old, new), *_orders(old, new))


def raised_since(was: PlanLoaded, new: Plan) -> tuple[str, ...]:
    """As `raised`, against the plan that is in force by the ledger. A plan that is the same to the byte raises nothing;
    where the one before is not known, all that is known is said: that it was another."""
    if was.sha256 == new.sha256:
        return ()
    before = plan_kept(was)
    return (NOT_KEPT,) if before is None else raised(before, new)


def asked_of(new: Plan, books: Books, proven_ms: int, *, running: Plan | None = None) -> tuple[str, ...]:
    """What a person is asked about before `new` comes into force: what it raises against the plan that is in force, by
    the ledger or as `running`, and what it raises against the plan of a day ago, in steps that each asked nothing."""
    was, base = books.plan, books.plan_before_steps(proven_ms)
    lines: tuple[str, ...] = ()
    if running is not None:
        lines = raised(running, new)
    elif was is not None:
        lines = raised_since(was, new)
    if was is None or base is None or base.text is None or new.sha256 == was.sha256:
        return lines
    steps = (line for line in raised_since(base, new) if line not in (NOT_KEPT, *lines))
    return (*lines, *(f"{line}, in steps within a day" for line in steps))


def _more(before: float, after: float) -> bool:
    return after > before * (1 + RAISE) * (1 + 1e-9)


def _limits(old: Plan, new: Plan, name: str) -> Iterator[str]:
    before, after = old.channels[name].limits, new.channels[name].limits
    if _more(before.dose_ul, after.dose_ul):
        yield f"its dose limit from {shown_ml(before.dose_ul)} to {shown_ml(after.dose_ul)}"
    if _more(before.day_ul, after.day_ul):
        yield f"its day limit from {shown_ml(before.day_ul)} to {shown_ml(after.day_ul)}"
    if _more(before.run_s, after.run_s):
        yield f"its run limit from {before.run_s:.0f} s a day to {after.run_s:.0f} s"
    if before.rise_umol is None:
        return
    if after.rise_umol is None:
        yield f"its rise limit from {_rise(old, name)} to none"
    elif gives(old, name) is gives(new, name) and _more(before.rise_umol, after.rise_umol):
        yield f"its rise limit from {_rise(old, name)} to {_rise(new, name)}"


def _rise(plan: Plan, name: str) -> str:
    rise_umol = plan.channels[name].limits.rise_umol or 0.0
    return f"{shown_change(rise_umol / 1000 / plan.tank.water_l, gives(plan, name))} in {plain(plan.tank.water_l)} L"


def _pump(old: Plan, new: Plan, name: str) -> Iterator[str]:
    """A pump that is not calibrated runs by its nominal flow: where that is too low, it runs too long."""
    before, after = old.channels[name].pump, new.channels[name].pump
    if after.nominal_ul_per_s < before.nominal_ul_per_s * (1 - RAISE) * (1 - 1e-9):
        flows = before.nominal_ul_per_s * 0.06, after.nominal_ul_per_s * 0.06
        down = f"from {plain(flows[0], 3)} mL/min down to {plain(flows[1], 3)} mL/min"
        yield f"its nominal flow {down}, so it runs longer"
    speeds = [speed_of(head_of(plan.channels[name])) for plan in (old, new)]
    if speeds[1] > speeds[0]:
        yield f"its speed from {plain(speeds[0] * 100, 3)} % to {plain(speeds[1] * 100, 3)} %"


def _reservoir(before: Reservoir, after: Reservoir) -> Iterator[str]:
    """What keeps a pump from running on air, or on what has settled at the bottom."""
    if after.reserve_ul < before.reserve_ul * (1 - RAISE) * (1 - 1e-9):
        yield f"its reservoir's reserve from {shown_ml(before.reserve_ul)} down to {shown_ml(after.reserve_ul)}"
    had, has = before.float_, after.float_
    if had is not None and has is None:
        yield "its reservoir's float is taken out"
    elif had is not None and has is not None:
        if had.gpio != has.gpio:
            yield f"its reservoir's float from GPIO {had.gpio} to GPIO {has.gpio}"
        if had.low_when_open != has.low_when_open:
            yield f"its reservoir's float is low when {'open' if has.low_when_open else 'closed'}, no more the reverse"


def _apart_of(plan: Plan, name: str) -> str:
    gaps = [f"{_span(plan.gap_s(name, other))} from {other}" for other in plan.channels if plan.gap_s(name, other) > 0]
    return ", ".join(gaps) or "none"


def _gaps(old: Plan, new: Plan) -> Iterator[str]:
    for one, other in combinations([name for name in new.channels if name in old.channels], 2):
        before_s, after_s = old.gap_s(one, other), new.gap_s(one, other)
        if after_s < before_s:
            yield f"apart: {one} and {other} from {_span(before_s)} to {_span(after_s)}"


def _span(seconds: float) -> str:
    return span_text(seconds) if seconds else "none"


def _quiet(old: Plan, new: Plan) -> Iterator[str]:
    stays = _minutes(new.quiet)
    now = ", ".join(_clock_times(span) for span in new.quiet) or "none"
    if old.quiet and old.timezone != new.timezone:
        yield f"timezone: from {old.timezone} to {new.timezone}, and quiet times move with it; quiet now: {now}"
    for span in old.quiet:
        lost_min = len(_minutes((span,)) - stays)
        if lost_min:
            yield f"quiet: {lost_min} min of {_clock_times(span)} are quiet no more; quiet now: {now}"


def _minutes(spans: Sequence[LocalSpan]) -> set[int]:
    """The minutes of the day that lie in any of the spans."""
    found: set[int] = set()
    for span in spans:
        from_min, to_min = _minute(span.from_), _minute(span.to)
        found |= {minute % _DAY_MIN for minute in range(from_min, to_min if to_min > from_min else to_min + _DAY_MIN)}
    return found


def _minute(at: time) -> int:
    return at.hour * 60 + at.minute


def _clock_times(span: LocalSpan) -> str:
    return f"{span.from_:%H:%M} to {span.to:%H:%M}"


def _inputs(old: Plan, new: Plan) -> Iterator[str]:
    for name in old.inputs:
        if name not in new.inputs:
            yield f"inputs: {name} is taken out (GPIO {old.inputs[name].gpio})"
            continue
        before, after = old.inputs[name], new.inputs[name]
        if before.gpio != after.gpio:
            yield f"inputs: {name} from GPIO {before.gpio} to GPIO {after.gpio}"
        if before.when_closed != after.when_closed:
            contact = "closed" if after.when_closed else "open"
            yield f"inputs: {name} is what a contact that is {contact} says, no more the reverse"
    if old.keep_alive_gpio is not None and new.keep_alive_gpio is None:
        yield f"keep_alive is taken out (GPIO {old.keep_alive_gpio})"
    elif old.keep_alive_gpio is not None and old.keep_alive_gpio != new.keep_alive_gpio:
        yield f"keep_alive from GPIO {old.keep_alive_gpio} to GPIO {new.keep_alive_gpio}"


def _orders(old: Plan, new: Plan) -> Iterator[str]:
    had = () if old.mqtt is None else old.mqtt.orders
    has = () if new.mqtt is None else new.mqtt.orders
    # A hold makes nothing worse at the pumps.
    gained = [verb for verb in has if verb not in had and verb != "hold"]
    if gained:
        yield f"mqtt: the broker may order what it might not: {', '.join(gained)}"


def _clock(old: Plan, new: Plan) -> Iterator[str]:
    if old.clock.without is WithoutClock.NONE and new.clock.without is WithoutClock.HALF:
        yield "clock: without a trusted clock half of a day's doses are given, no more none"
    if new.clock.rtc and not old.clock.rtc:
        yield "clock: it is taken for right at a start (rtc from false to true)"


def _daily(plan: Plan, name: str) -> tuple[float, Substance | None]:
    change = daily_change_umol(plan, name, plan_strengths(plan))
    return _volume(plan, name) if change is None else (change, gives(plan, name))


def _volume(plan: Plan, name: str) -> tuple[float, None]:
    return float(daily_volume_ul(plan, name, plan_strengths(plan))), None


def _amount(plan: Plan, name: str) -> str:
    volume_ul, substance = _volume(plan, name)[0], gives(plan, name)
    change = daily_change_umol(plan, name, plan_strengths(plan))
    if change is None or substance is Substance.OTHER:
        return shown_ml(volume_ul)
    shown = shown_change(change / 1000 / plan.tank.water_l, substance)
    return f"{shown} ({shown_ml(volume_ul)} in {plain(plan.tank.water_l)} L)"
