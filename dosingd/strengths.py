"""How strong the stocks are that are really there: what doses are laid by, and what limits are computed with.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from dosingd.books import Books
from dosingd.chemistry.stock import Strength
from dosingd.daily import Strengths, plan_strengths
from dosingd.plan.model import Plan
from dosingd.reservoir import outlet_strength


def strengths_of(plan: Plan, books: Books) -> Strengths:
    """The strength of what is in each reservoir; the plan's stock where no refill was booked."""
    strengths = plan_strengths(plan)
    for channel in strengths:
        contents = books.contents.get(channel)
        if contents is not None and contents.strength is not None:
            strengths[channel] = contents.strength
    return strengths


def at_outlet(plan: Plan, books: Books, channel: str) -> Strength | None:
    """The strongest that can leave the channel's outlet now: what limits are computed with."""
    contents = books.contents.get(channel)
    if contents is None:
        return plan.stock_of(channel).strength
    return outlet_strength(contents) or plan.stock_of(channel).strength
