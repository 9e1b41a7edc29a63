"""What the ledger keeps of a plan: its limits, in whole units of each and one row a channel (R4, R7), its heads, and
what its reservoirs hold.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from dosingd.chemistry.stock import Strength
from dosingd.daily import gives, per_ul_umol, plan_strengths
from dosingd.errors import PlanRefused
from dosingd.flows import head_of
from dosingd.plan.model import Plan
from dosingd.plan.reading import read_plan
from dosingd.records import LimitsRow, PlanLoaded, Substance

#: Runs into a cup: 100 mL, but no more than would change the tank by its rise limit; 30 mL at least (R4).
CUP_DEPTH_UL, CUP_LEAST_UL = 100_000, 30_000


def limits_of(plan: Plan) -> dict[str, LimitsRow]:
    """The limits of a plan as the ledger keeps them; the rise limit of a substance is the smallest of its channels."""
    rises: dict[Substance, int] = {}
    for channel, item in plan.channels.items():
        if item.limits.rise_umol is not None:
            substance = gives(plan, channel)
            amount = int(item.limits.rise_umol)
            rises[substance] = min(amount, rises.get(substance, amount))
    return {
        channel: LimitsRow(
            day_ul=item.limits.day_ul,
            run_ms=int(item.limits.run_s * 1000),
            rise_umol=_rises_added(plan.stock_of(channel).strength, gives(plan, channel), rises),
            cup_ul=cup_depth_ul(plan, channel),
        )
        for channel, item in plan.channels.items()
    }


def _rises_added(strength: Strength | None, own: Substance, rises: Mapping[Substance, int]) -> dict[str, int]:
    return {
        str(substance): amount
        for substance, amount in rises.items()
        if substance is own or (strength is not None and strength.of(substance) > 0)
    }


def cup_depth_ul(plan: Plan, channel: str) -> int:
    """The depth of a channel's cup bucket in µL (R4)."""
    rise = plan.channels[channel].limits.rise_umol
    per_ul = per_ul_umol(plan, channel, plan_strengths(plan))
    if rise is None or per_ul <= 0:
        return CUP_DEPTH_UL
    return max(CUP_LEAST_UL, min(CUP_DEPTH_UL, int(rise / per_ul)))


def plan_loaded(plan: Plan, zone_from_at: datetime) -> PlanLoaded:
    """The row that brings a plan into force."""
    return PlanLoaded(
        plan.sha256,
        plan.rig,
        plan.timezone,
        limits_of(plan),
        zone_from_at,
        plan.text or None,
        heads={name: head_of(item) for name, item in plan.channels.items()},
        holds_ul={name: item.reservoir.holds_ul for name, item in plan.channels.items()},
    )


def plan_kept(row: PlanLoaded | None) -> Plan | None:
    """The plan that such a row brought into force; None where the row is of an older version, which kept no text, or
    where this version cannot read it."""
    if row is None or row.text is None:
        return None
    try:
        return read_plan(row.text.encode(), "")[0]
    except PlanRefused:
        return None
