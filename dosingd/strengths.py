"""How strong the stocks are that are really there: what doses are laid by, and what limits are computed with; and
whether what is there is what the plan says.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from dosingd import units
from dosingd.books import Books
from dosingd.chemistry.stock import Strength
from dosingd.daily import Strengths, plan_strengths
from dosingd.plan.model import DailyVolume, Plan
from dosingd.records import Substance
from dosingd.reservoir import map_from_strength, outlet_strength
from dosingd.words import plain

#: A strength that the plan says otherwise by less was not corrected by hand: a balance is no better.
SAME_STRENGTH = 0.001


def strengths_of(plan: Plan, books: Books) -> Strengths:
    """The strength of what is in each reservoir; the plan's stock where no refill was booked.

    Of a channel that is planned by volume and waits, the lesser of both: its followers give what is balanced by it, and
    must not rise by a stock that is not dosed.
    """
    strengths = plan_strengths(plan)
    for channel, own in list(strengths.items()):
        contents = books.contents.get(channel)
        if contents is None or contents.strength is None:
            continue
        strengths[channel] = contents.strength
        waits = isinstance(plan.channels[channel].daily, DailyVolume) and stock_differs(plan, books, channel)
        if waits and own is not None:
            strengths[channel] = own.each(contents.strength, min)
    return strengths


def at_outlet(plan: Plan, books: Books, channel: str) -> Strength | None:
    """The strongest that can leave the channel's outlet now: what limits are computed with."""
    contents = books.contents.get(channel)
    if contents is None:
        return plan.stock_of(channel).strength
    return outlet_strength(contents) or plan.stock_of(channel).strength


def stock_differs(plan: Plan, books: Books, channel: str) -> str | None:
    """How the plan and the books differ about what is in a channel's reservoir, in words; None when they agree.

    By the stock's name, or by what the plan says now of its strength and said when it was poured in. Until a person has
    said which is right nothing of it goes into the tank: the one may be a wrong bottle, the other a batch that is dosed
    too strong. A reservoir that was never booked holds what the plan says.
    """
    contents, stock = books.contents.get(channel), plan.stock_of(channel)
    if contents is None:
        return None
    if contents.stock != stock.id:
        return f"its reservoir holds {contents.stock} by the books, and the plan says {stock.id}"
    filling = books.fillings.get(channel)
    if filling is None or filling.poured is None:
        return None
    then, now = filling.poured, map_from_strength(stock.strength)
    for substance in sorted(then.keys() | now.keys()):
        was, is_ = then.get(substance, 0.0), now.get(substance, 0.0)
        if abs(is_ - was) > SAME_STRENGTH * max(is_, was):
            then_text, now_text = (shown_strength(each, Substance(substance)) for each in (was, is_))
            return (
                f"the plan says another strength of {stock.id} than when it was poured in: {then_text} of {substance}"
                f" then, {now_text} now"
            )
    return None


def shown_strength(amount: float, substance: Substance) -> str:
    """A strength in eq/L or mol/L as a keeper reads it: eq/L of alkalinity, g/L of calcium and magnesium."""
    if substance is Substance.ALKALINITY:
        return f"{plain(amount, 4)} eq/L"
    return f"{plain(units.mg_per_l_from_mmol_per_l(amount, substance), 4)} g/L"  # g/L from mol/L as well


def strength_text(strength: Strength | None) -> str:
    """Everything that a stock gives, with figures."""
    if strength is None:
        return "unknown strength"
    given = [(each, strength.of(each)) for each in Substance if strength.of(each) > 0]
    return " and ".join(f"{shown_strength(amount, each)} of {each}" for each, amount in given) or "no strength"


def confirm(channel: str) -> str:
    """The command by which a person says that all that is in a reservoir is the plan's stock."""
    return f"dosingd refill {channel} --confirm"
