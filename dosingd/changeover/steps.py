"""The steps of a change-over, in a careful keeper's order.

A held rig runs no pump, not even to prime, and doses are reckoned by the books: so the books learn of the new stock
before the release, and the line is primed after it, over a cup.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from attrs import frozen

from dosingd import units
from dosingd.changeover.standings import Change
from dosingd.checking import raised
from dosingd.checking.days import laid
from dosingd.checking.figures import smallest_limits
from dosingd.chemistry.proving import KIT_STEP, KIT_STEPS, glass, shown_reading
from dosingd.daily import gives
from dosingd.errors import CannotLay
from dosingd.plan import Plan
from dosingd.plan.amounts import shown_ml
from dosingd.records import Substance
from dosingd.words import plain

#: A density that differs by less is within what weighed test runs are good to. Common practice, no source.
DENSITY_MATTERS = 0.01
#: A day limit is suggested so far above the least that check asks for.
IN_HAND = 1.1


@frozen
class Step:
    """One thing to do, and the command for it where there is one."""

    text: str
    command: str | None = None

    def __str__(self) -> str:
        return self.text if self.command is None else f"{self.text}: {self.command}"


def steps(plan: Plan, new: Plan, to: Mapping[str, str], changes: Mapping[str, Change], name: str) -> tuple[Step, ...]:
    """What to do, in order; `plan` is as it stands, `new` with the new stocks, `name` its file."""
    return tuple(_steps(plan, new, to, changes, name or "PLAN"))


def _steps(plan: Plan, new: Plan, to: Mapping[str, str], changes: Mapping[str, Change], name: str) -> Iterator[Step]:
    names, several = ", ".join(to), len(to) > 1
    yield Step("Hold the rig, so that nothing runs meanwhile", f'dosingd hold --why "change-over of {names}"')
    if several:
        yield Step("One channel after the other, never two reservoirs open at once: stocks that meet turn solid.")
    for channel, stock in to.items():
        yield Step(
            f"{channel}: take out what is left of {plan.channels[channel].stock}, into a bottle with its name on it, "
            "and rinse the reservoir with pure water."
        )
        yield Step(_prove(new, channel))
        yield Step(
            f"{channel}: pour {stock} in, up to {_holds(new, channel)}, and write its name and the date on the "
            "reservoir and on both ends of the line."
        )
    smallest_ul = _smallest_day_ul(new)
    for channel in to:
        yield Step(_mend(plan, channel, changes[channel], smallest_ul.get(channel, 0)))
    yield Step("See that the plan is sound with it", f"dosingd check {name}")
    if raised(plan, new):
        yield Step("Bring it into force; it asks first, and lists what grows", "dosingd reload --yes")
    else:
        yield Step("Bring it into force", "dosingd reload")
    for channel, stock in to.items():
        holds = _holds(new, channel)
        yield Step(f"{channel}: book it", f'dosingd refill {channel} --to "{holds}" --found "0 mL" --stock {stock}')
    yield Step(f"Check that the books name {', '.join(to.values())}, and the days that follow", "dosingd status")
    over = f"outlets of {names} each over a cup of its own" if several else f"outlet of {names} over a cup"
    yield Step(f"Hang the {over}; a dose that comes due there counts as given. Release the rig", "dosingd release")
    for channel in to:
        yield _prime(plan, channel, changes[channel])
        yield from _calibrate(channel, changes[channel])
    yield Step(
        f"Hang the outlet{'s' if several else ''} back over the tank, test the water daily for a week, and see that "
        "doses go in as planned",
        "dosingd status",
    )


def _holds(plan: Plan, channel: str) -> str:
    return shown_ml(plan.channels[channel].reservoir.holds_ul)


def _prove(new: Plan, channel: str) -> str:
    stock, substance = new.stock_of(channel), gives(new, channel)
    if substance is Substance.OTHER or stock.strength is None:
        return f"{channel}: no test kit proves {stock.id}; see that the bottle is the right one."
    proves = glass(stock.strength, substance)
    if proves.reads < KIT_STEPS * KIT_STEP[substance]:
        return f"{channel}: {stock.id} is too weak for a test kit to prove; see that the bottle is the right one."
    return (
        f"{channel}: prove {stock.id} in a glass before it is poured: {plain(proves.ml)} mL of it, filled up to 1 L "
        f"with pure water, must read {shown_reading(proves.reads, substance)}. If it is off by more than a tenth, do "
        "not pour it."
    )


def _mend(plan: Plan, channel: str, change: Change, smallest_day_ul: int) -> str:
    """What to write into the plan: the stock, and limits in mL that let no more through than the old ones did."""
    after, limits = change.after, plan.channels[channel].limits
    mends = [f"stock: {after.stock}"]
    if after.too_small:
        most = int(after.daily_ml // after.smallest_ml)
        mends.append(f"doses: {most} or fewer" if most else "a pump that gives less: no dose would be large enough")
    ratio = None if not change.before.strength or not after.strength else after.strength / change.before.strength
    if ratio is not None and ratio > 1.01:
        dose_ul = _up(limits.dose_ul / ratio)
        # A lease outlasts each dose, however small it is, so the limit cannot shrink as much as the doses do; and a
        # dose limit is at most a quarter of it.
        day_ul = _up(max(limits.day_ul / ratio, IN_HAND * smallest_day_ul, 4 * dose_ul))
        if day_ul < limits.day_ul:
            mends += [f"limits.dose: {shown_ml(dose_ul)}", f"limits.day: {shown_ml(day_ul)}"]
            mends.append(f"for in mL the old ones let {plain(ratio, 3)} times as much through")
    elif ratio is not None and ratio < 0.99:
        mends.append(
            f"limits.dose and limits.day up to {plain(1 / ratio, 3)} times as large, where check asks for more"
        )
    return f"In the plan, channels.{channel}: {'; '.join(mends)}."


def _up(volume_ul: float) -> float:
    """The volume with three digits, rounded up, as it is shown."""
    step = 10.0 ** (math.floor(math.log10(volume_ul)) - 2)
    return math.ceil(volume_ul / step - 1e-9) * step


def _smallest_day_ul(new: Plan) -> dict[str, int]:
    """The smallest day limits with which the new plan's doses all fit, in µL; none where a day cannot be laid."""
    try:
        return {channel: smallest.day_ul for channel, smallest in smallest_limits(new, tuple(laid(new))).items()}
    except CannotLay:
        return {}


def _prime(plan: Plan, channel: str, change: Change) -> Step:
    line_ul = plan.channels[channel].line_ul
    if line_ul is None:
        return Step(
            f"{channel}: the line still holds {change.before.stock}, and the plan does not say how much (line). Prime "
            "until the new stock comes",
            f'dosingd prime {channel} "5 mL" --into cup',
        )
    doses = -(-units.ml_from_ul(line_ul) // change.after.dose_ml) if change.after.dose_ml > 0 else 0
    return Step(
        f"{channel}: the line still holds {shown_ml(line_ul)} of {change.before.stock}, the next {doses:.0f} dose"
        f"{'' if doses == 1 else 's'}. Prime it away",
        f"dosingd prime {channel} --into cup",
    )


def _calibrate(channel: str, change: Change) -> Iterator[Step]:
    before, after = change.before.density_kg_per_l, change.after.density_kg_per_l
    if before is None or after is None:
        yield Step(
            f"{channel}: calibrate, if you weigh test runs and the new stock is more than 1 % heavier or lighter",
            f"dosingd calibrate {channel} --density D",
        )
    elif abs(after / before - 1) >= DENSITY_MATTERS:
        yield Step(
            f"{channel}: calibrate, for weighed test runs go by the density: {before:.4f} kg/L before, {after:.4f} now",
            f'dosingd calibrate {channel} --density "{after:.4f} kg/L"',
        )
