"""A refill worked out: what is in the reservoir now, what it says of the pump, and what a person must be told.

A refill books what is really there. Topping up another strength mixes by volume, and doses follow the mixture; what was
expected against what was found tells how far the pump's flow is off.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, NoReturn

from attrs import field, frozen

from dosingd import units
from dosingd.books import Books
from dosingd.checking.raised import RAISE
from dosingd.chemistry.stock import Strength, mixed
from dosingd.daily import Strengths, daily_volume_ul, gives
from dosingd.errors import RefillRefused
from dosingd.plan.model import Channel, Plan, Stock
from dosingd.records import Refilled, Substance
from dosingd.reservoir import Contents, Filling, days_left, map_from_strength, strength_from_map
from dosingd.stores import after_gap, flow_text, gap_text
from dosingd.strengths import SAME_STRENGTH, confirm, stock_differs, strength_text, strengths_of
from dosingd.words import ml

#: What a line may hold that the plan does not tell of, where the stock changes: 4 m of 2.5 mm bore.
UNTOLD_LINE_UL = 20_000


@frozen
class Refill:
    """What a keeper says of a reservoir. Volumes in µL; what is None was not said."""

    channel: str
    to_ul: int | None
    found_ul: int | None = None
    stock: str | None = None
    confirm: bool = False  #: all that is in there is the plan's stock, as strong as the plan says now
    yes: bool = False  #: ... although that contradicts the books, or raises what is dosed


def refilled(plan: Plan, books: Books, said: Refill) -> Refilled:
    """The row that books it. Raises RefillRefused, in words, for what cannot be, or cannot be told."""
    name = said.channel
    item = plan.channels.get(name)
    if item is None:
        raise RefillRefused(f"{name}: no such channel in the plan. Nothing was booked. To see them: dosingd status")
    _refuse_volumes(item, said)
    if said.confirm:
        return _confirmed(plan, books, said, item)
    if said.to_ul is None:
        _refuse(name, 'it does not say to what it was filled. Name it, such as: --to "2 L"')
    contents = books.contents.get(name)
    stock = _stock_named(plan, books, said)
    if said.found_ul is None and contents is not None and not _same(contents.strength, stock.strength):
        # A reservoir that was emptied first would be booked as a mixture, and its doses be too strong.
        _refuse(
            name,
            f"{_unlike(contents, books.fillings.get(name), stock)}. Say how much was left when it was poured: --found,"
            f' such as "{max(0, contents.left_ul) / 1000:.0f} mL" by the books, or "0 mL" of an emptied one',
        )
    left_ul = said.found_ul if said.found_ul is not None else _expected(name, contents, said.to_ul)
    if contents is not None and stock.id != contents.stock and left_ul >= said.to_ul:
        _refuse(name, f"by these figures no {stock.id} was poured, so its reservoir still holds {contents.stock}")
    strength = _strength_of_both(name, contents, left_ul, stock, said.to_ul - left_ul)
    return Refilled(
        channel=name,
        to_ul=said.to_ul,
        found_ul=said.found_ul,
        stock=stock.id,
        strength=map_from_strength(strength),
        line_ul=_line_ul(item, contents, strength),
        poured=map_from_strength(stock.strength),
    )


def _unlike(contents: Contents, filling: Filling | None, stock: Stock) -> str:
    """How what is in a reservoir and what was poured differ, with both strengths."""
    was, now = strength_text(contents.strength), strength_text(stock.strength)
    poured = None if filling is None or filling.poured is None else strength_from_map(dict(filling.poured))
    what = contents.stock if poured is None or _same(poured, contents.strength) else "a mixture"
    return f"its reservoir holds {what} of {was} by the books, and {stock.id} is {now}: another strength"


def _refuse(channel: str, why: str) -> NoReturn:
    raise RefillRefused(f"{channel}: {why}. Nothing was booked.")


def _refuse_volumes(item: Channel, said: Refill) -> None:
    holds_ul = item.reservoir.holds_ul
    for volume_ul, option in ((said.to_ul, "--to"), (said.found_ul, "--found")):
        if volume_ul is not None and volume_ul > holds_ul:
            _refuse(item.id, f"{option} {ml(volume_ul)} is more than its reservoir holds, {ml(holds_ul)}")
    if said.to_ul is not None and said.found_ul is not None and said.found_ul > said.to_ul:
        _refuse(
            item.id,
            f"--found {ml(said.found_ul)} is what was left before, and --to {ml(said.to_ul)} what is in it after: more"
            " cannot have been found than is in it now",
        )
    if said.to_ul is None and said.found_ul is not None:
        _refuse(item.id, "--found needs --to: a level is measured before and after pouring, or once and said twice")


def _expected(channel: str, contents: Contents | None, to_ul: int) -> int:
    """What was left by the books. Refused where that is more than is in it now: what was poured would be less than
    nothing, and its share of the mixture with it."""
    left_ul = 0 if contents is None else max(0, contents.left_ul)
    if left_ul > to_ul:
        _refuse(
            channel,
            f"by the books {ml(left_ul)} were left, more than the {ml(to_ul)} that are in it now. Say what was really"
            " left: --found",
        )
    return left_ul


def _stock_named(plan: Plan, books: Books, said: Refill) -> Stock:
    name, own = said.channel, plan.stock_of(said.channel)
    if said.stock is None:
        differs = stock_differs(plan, books, name)
        if differs is None:
            return own
        _refuse(
            name,
            f"{differs}. So say what was poured, --stock {own.id} or another; or, if all that is in it now is"
            f" {own.id}, --confirm",
        )
    stock = plan.stocks.get(said.stock or "")
    if stock is None:
        near = difflib.get_close_matches(said.stock or "", plan.stocks, n=1)
        hint = f'Did you mean "{near[0]}"?' if near else f"Its stocks are {', '.join(plan.stocks)}."
        raise RefillRefused(f'{name}: the plan has no stock "{said.stock}". {hint} Nothing was booked.')
    return stock


def _strength_of_both(
    channel: str, contents: Contents | None, left_ul: int, stock: Stock, poured_ul: int
) -> Strength | None:
    """What is in the reservoir after `poured_ul` of a stock went onto `left_ul` of what was there."""
    old, new = None if contents is None else contents.strength, stock.strength
    if contents is None or left_ul <= 0 or (poured_ul > 0 and _same(old, new)):
        return new
    if poured_ul <= 0:
        return old
    if contents.stock != stock.id and _turn_solid(old, new):
        _refuse(
            channel,
            f"{stock.id} on top of {ml(left_ul)} of {contents.stock} turns solid, and nobody could say what is left of"
            " either. If it was poured already: dosingd hold, empty and rinse the reservoir and its line, and fill it"
            ' anew; then say --found "0 mL"',
        )
    if old is None or new is None:
        return old or new  # nobody knows how strong the other is: limits are reckoned as if it thinned nothing
    return mixed(((old, left_ul), (new, poured_ul)))


def _same(one: Strength | None, other: Strength | None) -> bool:
    if one is None or other is None:
        return one is other
    return all(
        abs(one.of(each) - other.of(each)) <= SAME_STRENGTH * max(one.of(each), other.of(each)) for each in Substance
    )


def _turn_solid(one: Strength | None, other: Strength | None) -> bool:
    def bases(strength: Strength | None) -> bool:
        return strength is not None and strength.alkalinity_eq_per_l > 0

    def metals(strength: Strength | None) -> bool:
        return strength is not None and strength.calcium_mol_per_l + strength.magnesium_mol_per_l > 0

    return (bases(one) and metals(other)) or (metals(one) and bases(other))


def _line_ul(item: Channel, contents: Contents | None, strength: Strength | None) -> int:
    """What the line still holds of the stock before. Where the plan does not say how much, and it matters, a lot."""
    if item.line_ul is not None:
        return item.line_ul
    if contents is None:
        return 0
    # A level that is said again does not flush what the line still holds of the stock before.
    return max(contents.flush_ul, 0 if _same(contents.strength, strength) else UNTOLD_LINE_UL)


def _confirmed(plan: Plan, books: Books, said: Refill, item: Channel) -> Refilled:
    """All that is in the reservoir is the plan's stock: nothing is mixed, and the level stays unless one is said."""
    name, own, contents = said.channel, plan.stock_of(said.channel), books.contents.get(said.channel)
    if said.stock not in (None, own.id):
        _refuse(name, f"--confirm says that its reservoir holds the plan's stock, {own.id}, not {said.stock}")
    if contents is None:
        _refuse(name, "no refill was ever booked. Say to what it is filled: --to")
    if said.to_ul is None and stock_differs(plan, books, name) is None and _same(contents.strength, own.strength):
        _refuse(name, f"the plan and the books agree that its reservoir holds {own.id}; there is nothing to confirm")
    if not said.yes:
        _refuse_doubtful(plan, books, name, contents)
    strength = map_from_strength(own.strength)
    return Refilled(
        channel=name,
        to_ul=contents.left_ul if said.to_ul is None else said.to_ul,
        found_ul=said.found_ul,
        stock=own.id,
        strength=strength,
        line_ul=_line_ul(item, contents, own.strength),
        poured=strength,
        measured=said.to_ul is not None,
    )


def _refuse_doubtful(plan: Plan, books: Books, name: str, contents: Contents) -> None:
    """Refuse a word of the plan against that of a bottle, and one by which more is dosed, until it is said twice: where
    the plan is what is wrong, it is an overdose."""
    own, strengths = plan.stock_of(name), strengths_of(plan, books)
    before, after = _daily_ul(plan, strengths), _daily_ul(plan, {**strengths, name: own.strength})
    figures = (
        f"By the books it holds {contents.stock}, {strength_text(contents.strength)}; by the plan {own.id},"
        f" {strength_text(own.strength)}"
    )
    doubts = [f"the stock named at its last refill was {contents.stock}"] if contents.stock != own.id else []
    doubts += [
        f"{each} would be given {ml(float(after[each]))} a day, and not {ml(float(before[each]))}"
        for each in plan.channels
        if after[each] > before[each] * Fraction(1 + RAISE)
    ]
    if doubts:
        _refuse(
            name,
            f"{'; '.join(doubts)}. {figures}. Look at the bottle. If the plan is wrong, mend it, then: dosingd reload."
            f" If all that is in it is the plan's {own.id}: {confirm(name)} --yes",
        )


# -- what is told of a refill --------------------------------------------------------------------------------


def book(
    plan: Plan, books: Books, said: Refill, write: Callable[[Refilled], object]
) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Work out a refill, have it written (which folds it into the books), and say what came of it: the figures for a
    program, and what a person must be told beside them. Raises RefillRefused before anything is written."""
    row = refilled(plan, books, said)
    before = before_refill(plan, books, said.channel)
    write(row)
    return refill_data(plan, books, row, before), refill_messages(plan, books, row, before)


@frozen
class Before:
    """What the books said before a refill."""

    left_ul: int | None
    strength: Strength | None
    daily_ul: Mapping[str, Fraction] = field(factory=dict)


def before_refill(plan: Plan, books: Books, channel: str) -> Before:
    """To be asked for before the row is written, and to be told with after it."""
    contents = books.contents.get(channel)
    return Before(
        None if contents is None else contents.left_ul,
        None if contents is None else contents.strength,
        _daily_ul(plan, strengths_of(plan, books)),
    )


def _daily_ul(plan: Plan, strengths: Strengths) -> dict[str, Fraction]:
    return {name: daily_volume_ul(plan, name, strengths) for name in plan.channels}


def refill_data(plan: Plan, books: Books, row: Refilled, before: Before) -> dict[str, Any]:
    """What a refill came to, for a program: mL, eq/L or g/L, percent. `books` hold the row already."""
    name, daily_ul = row.channel, _daily_ul(plan, strengths_of(plan, books))
    contents = books.contents[name]
    check = books.last_check.get(name) if row.measured else None
    # A wrong bottle is weighed in what it gives, which is not what the channel is there for.
    own = gives(plan, name)
    strength = strength_from_map(dict(row.strength))
    data: dict[str, Any] = {
        "ok": True,
        "channel": name,
        "stock": row.stock,
        "left_ml": contents.left_ul / 1000,
        "expected_ml": None if before.left_ul is None or not row.measured else before.left_ul / 1000,
        "found_ml": None if row.found_ul is None else row.found_ul / 1000,
        "flow_error_percent": None if check is None or check.error is None else check.error * 100,
        "flow_error_uncertainty_percent": (
            None if check is None or check.uncertainty is None else check.uncertainty * 100
        ),
        "flow_error_unknown": check.why_not if check is not None and check.error is None else None,
        "level_differs_ml": -check.gap_ul / 1000 if check is not None and check.unexplained else None,
        "days_left": days_left(contents.left_ul, plan.channels[name].reservoir, daily_ul[name]),
        "daily_ml_before": float(before.daily_ul[name]) / 1000,
        "daily_ml_after": float(daily_ul[name]) / 1000,
        "others": {
            other: {"daily_ml_before": float(was) / 1000, "daily_ml_after": float(daily_ul[other]) / 1000}
            for other, was in before.daily_ul.items()
            if other != name and daily_ul[other] != was
        },
        "mixed": not _same(strength, plan.stocks[row.stock].strength),
        "waits": stock_differs(plan, books, name),
    }
    if own is Substance.ALKALINITY:
        data["strength_eq_per_l"] = 0.0 if strength is None else strength.alkalinity_eq_per_l
    elif own is not Substance.OTHER:
        data["strength_g_per_l"] = (
            0.0 if strength is None else units.mg_per_l_from_mmol_per_l(strength.of(own), own)  # g/L from mol/L as well
        )
    return data


def refill_messages(plan: Plan, books: Books, row: Refilled, before: Before) -> tuple[str, ...]:
    """What a person must be told of a refill beside its figures."""
    name, said = row.channel, []
    strength = strength_from_map(dict(row.strength))
    if before.strength is not None and row.measured and not _same(strength, plan.stocks[row.stock].strength):
        said.append(f"{name}: stir it well: unmixed, the stronger stock lies below, where the line draws.")
    if before.strength is not None and not _same(before.strength, strength) and row.line_ul > 0:
        said.append(
            f"{name}: its line holds up to {ml(row.line_ul)} of what was there before; until that has run, limits are"
            f" reckoned by the stronger of both. To run it into a cup: dosingd prime {name} --into cup"
        )
    differs = stock_differs(plan, books, name)
    if differs is not None:
        said.append(
            f"{name}: {differs}, so it waits, and nothing goes into the tank. Write what is in it into the plan, then:"
            f" dosingd reload. Or, if all of it is the plan's: {confirm(name)}"
        )
    if row.found_ul is None or not row.measured:
        return tuple(said)
    gap, flow = books.gaps.get(name), flow_text(name, books.checks.get(name, ()))
    if gap is not None:
        said.append(f"{gap_text(name, gap)} Next: {after_gap(name, gap)}")
    elif flow:
        said.append(f"{flow} Next: dosingd calibrate {name}")
    return tuple(said)
