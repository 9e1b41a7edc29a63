"""By how much a new plan raises what is dosed: a reload that raises it much is asked about first.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from dosingd.daily import daily_change_umol, daily_volume_ul, gives, plan_strengths
from dosingd.plan.amounts import shown_change, shown_ml
from dosingd.plan.model import Plan
from dosingd.records import Substance

#: A channel's daily change may rise by this share without being asked about. A keeper who raises what corals take up
#: goes in smaller steps (common practice, no source); what is more is as likely a slip of the pen.
RAISE = 0.2


def raised(old: Plan, new: Plan) -> tuple[str, ...]:
    """One line a channel whose daily change rises by more than RAISE, or that is new; empty: there is none.

    Compared is what goes into the whole tank, so that a slip in the water's volume is one as well. A channel that is
    planned by volume, before or after, is compared by volume.
    """
    lines = []
    for name in new.channels:
        if name not in old.channels:
            lines.append(f"{name}: a new channel, {_amount(new, name)} a day")
            continue
        before, after = _daily(old, name), _daily(new, name)
        if before[1] != after[1]:
            before, after = _volume(old, name), _volume(new, name)
        if after[0] > before[0] * (1 + RAISE):
            lines.append(f"{name}: from {_amount(old, name)} a day to {_amount(new, name)}")
    return tuple(lines)


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
    return f"{shown} ({shown_ml(volume_ul)} in {plan.tank.water_l:g} L)"
