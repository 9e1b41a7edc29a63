"""What it changes when channels draw other stocks.

The plan asks for a change of the tank, so a stronger stock makes smaller doses of the same effect; what it does change
are volumes, doses against the pump's smallest, days, and what a fault could do. Nothing here changes anything.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import evolve, frozen

from dosingd import units
from dosingd.changeover.standings import USUAL_DKH, Change, Standing, standings
from dosingd.changeover.steps import Step, steps
from dosingd.chemistry.balance import volumes_match
from dosingd.daily import daily_volume_ul, plan_strengths
from dosingd.errors import PlanRefused
from dosingd.plan import Marks, Plan
from dosingd.plan.amounts import shown_ml
from dosingd.records import Substance

#: Calcium given may be so far from 1 mol for 2 eq before the channels no longer match: at 1.2 dKH a day it drifts by
#: 13 mg/L a month, about what a test kit can tell. Common practice, no source.
MATCH_WITHIN = 0.05


@frozen
class ChangeOver:
    """What new stocks change. Only channels of which something changes are in `channels`."""

    plan: Plan  #: with the new stocks
    channels: Mapping[str, Change]
    alkalinity_dkh: float
    salt_g_per_kg_30d: tuple[float | None, float | None]  #: of all channels together, before and after
    given: tuple[float, float]  #: eq of alkalinity and mol of calcium a day, after
    steps: tuple[Step, ...]

    @property
    def calcium_share(self) -> float | None:
        """Calcium given over 1 mol for 2 eq of alkalinity; None unless the plan gives both."""
        alkalinity_eq, calcium_mol = self.given
        return 2 * calcium_mol / alkalinity_eq if alkalinity_eq and calcium_mol else None

    @property
    def balanced(self) -> bool | None:
        """Whether calcium and alkalinity still match; None unless the plan gives both."""
        return None if self.calcium_share is None else volumes_match(*self.given, within=MATCH_WITHIN)


def change_over(plan: Plan, to: Mapping[str, str], alkalinity_dkh: float = USUAL_DKH, name: str = "") -> ChangeOver:
    """What it changes when the channels draw these stocks; `name` is the plan's file, for the commands in the steps.

    Raises PlanRefused, in one sentence, for a channel or stock that the plan does not have, a stock that gives
    something else, and one that the channel draws already.
    """
    for channel, stock in to.items():
        _refuse_senseless(plan, channel, stock)
    new = evolve(
        plan,
        channels={
            channel: evolve(item, stock=to[channel]) if channel in to else item
            for channel, item in plan.channels.items()
        },
    )
    before, after = standings(plan, alkalinity_dkh), standings(new, alkalinity_dkh)
    changes = {
        channel: Change(before[channel], after[channel])
        for channel in plan.channels
        if channel in to or before[channel] != after[channel]
    }
    return ChangeOver(
        plan=new,
        channels=changes,
        alkalinity_dkh=alkalinity_dkh,
        salt_g_per_kg_30d=(_together(before), _together(after)),
        given=(_given_mol(new, Substance.ALKALINITY), _given_mol(new, Substance.CALCIUM)),
        steps=steps(plan, new, to, changes, name),
    )


def _together(every: Mapping[str, Standing]) -> float | None:
    salt = [each.salt_g_per_kg_30d for each in every.values()]
    known = [each for each in salt if each is not None]
    return sum(known) if known and len(known) == len(salt) else None


def _refuse_senseless(plan: Plan, channel: str, stock: str) -> None:
    if channel not in plan.channels:
        raise PlanRefused(f'The plan has no channel "{channel}". It has {_listed(plan.channels)}.')
    if stock not in plan.stocks:
        raise PlanRefused(
            f'The plan has no stock "{stock}". It has {_listed(plan.stocks)}. Write the new one under stocks first: '
            "dosingd mix says its words."
        )
    was, becomes = plan.stock_of(channel), plan.stocks[stock]
    if was.gives is not becomes.gives:
        raise PlanRefused(
            f"{channel} gives {was.gives} and {stock} gives {becomes.gives}: that is another plan, not a change-over."
        )
    if was.id == stock:
        raise PlanRefused(
            f'{channel} draws {stock} already. A new batch of it is booked by: dosingd refill {channel} --to "'
            f'{shown_ml(plan.channels[channel].reservoir.holds_ul)}"'
        )


def _listed(names: Mapping[str, object]) -> str:
    return ", ".join(names)


def _given_mol(plan: Plan, substance: Substance) -> float:
    """What all channels give of a substance a day, in mol (eq of alkalinity): every ion of every stock counts."""
    strengths = plan_strengths(plan)
    return sum(
        units.l_from_ul(float(daily_volume_ul(plan, channel, strengths))) * strength.of(substance)
        for channel, strength in strengths.items()
        if strength is not None
    )


def text_with(text: bytes, marks: Marks, plan: Plan, to: Mapping[str, str]) -> bytes:
    """The plan's text with the new stocks written in, so that it can be read and checked like any other."""
    lines = text.decode("utf-8").splitlines(keepends=True)
    for channel, stock in sorted(to.items(), key=lambda each: marks.at(f"channels.{each[0]}.stock"), reverse=True):
        line, column = marks.at(f"channels.{channel}.stock")
        head, tail = lines[line - 1][: column - 1], lines[line - 1][column - 1 :]
        lines[line - 1] = head + tail.replace(plan.channels[channel].stock, stock, 1)
    return "".join(lines).encode("utf-8")
