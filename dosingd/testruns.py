"""Which test runs to make with a pump, as the cup, the reservoir and the planned dose let it; and what the runs of the
swap check showed.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from attrs import frozen

from dosingd.acceptance import LEAST_RUN_UL, LENGTHS_APART, planned_dose_ul
from dosingd.books import Books
from dosingd.calibration import Flow, run_s_from_volume
from dosingd.flows import flow_of
from dosingd.plan.model import Plan

#: The longest test run: a run by hand is a minute at most, and the gate rounds.
LONGEST_TEST_S = 55.0
#: Short runs are a third of the long ones at most, and else as long as a planned dose: what is measured there is what
#: is asked for.
SHORT_SHARE = 1 / 3
#: ... and no shorter than this: a run of one second would end a millisecond before it.
LEAST_SHORT_S = 2.0
#: Long runs that are no longer are not worth measuring.
LEAST_LONG_S = 6.0
#: Half of the cup's allowance is kept for a second set, as long as long runs of this length remain.
GOOD_LONG_S = 20.0
#: What a head is run for to see which cup it fills.
IDENTIFY_UL = 5_000


@frozen
class Lengths:
    """Which runs to make: how much to prime first, then short and long runs in turn, in seconds."""

    prime_ul: int
    seconds: tuple[float, ...]
    flow: Flow
    identify_ul: int  #: for the swap check


def lengths_for(plan: Plan, books: Books, name: str, proven_ms: int) -> Lengths | None:
    """The test runs that fit into the channel's cup allowance and its reservoir now; None: nothing useful does."""
    channel, flow = plan.channels[name], flow_of(plan, books, name)
    room_ul = books.level(f"cup:{name}", proven_ms)
    contents = books.contents.get(name)
    if contents is not None:
        room_ul = min(room_ul, contents.left_ul - channel.reservoir.reserve_ul)
    prime_ul = min(channel.line_ul or round(5 * flow.ul_per_s), int(LONGEST_TEST_S * flow.ul_per_s))
    # Each run reserves half a second more than it gives back.
    margin_ul = flow.ul_per_s + max(0.0, flow.lag_ul)
    identify_ul = max(0, min(IDENTIFY_UL, int(room_ul - margin_ul), int(LONGEST_TEST_S * flow.ul_per_s)))
    dose_s = run_s_from_volume(planned_dose_ul(plan, books, name), flow)
    drop_s = math.ceil(2 * LEAST_RUN_UL / flow.ul_per_s)
    free_s = (room_ul - 2 * prime_ul - margin_ul) / flow.ul_per_s
    for share, each, least_s in ((0.5, 3, GOOD_LONG_S), (1.0, 3, GOOD_LONG_S), (1.0, 3, 9.0), (1.0, 2, LEAST_LONG_S)):
        long_s = math.floor(min(LONGEST_TEST_S, share * free_s / (each * (1 + SHORT_SHARE))))
        if long_s >= least_s:
            short_s = max(LEAST_SHORT_S, drop_s, min(float(round(long_s * SHORT_SHARE)), float(round(dose_s))))
            if long_s < LENGTHS_APART * short_s:
                continue
            return Lengths(prime_ul, (short_s, float(long_s)) * each, flow, identify_ul)
    return None


def swapped(plan: Plan, seen: Mapping[str, tuple[str, str]]) -> str | None:
    """What the swap check found, in words: `seen` is, by the head that ran, whose cup filled and whose reservoir fell
    ("" for none). None: every head of the plan filled its own cup from its own reservoir."""
    wrong = []
    for name in plan.channels:
        if name not in seen:
            wrong.append(f"{name} was not run")
            continue
        cup, reservoir = seen[name]
        if cup != name:
            wrong.append(f"{name} ran and {f'the cup of {cup} filled' if cup else 'no cup filled'}")
        if reservoir != name:
            wrong.append(f"{name} ran and {f'the reservoir of {reservoir} fell' if reservoir else 'no reservoir fell'}")
    if not wrong:
        return None
    lines = {name: plan.channels[name].pump.gpio for name in plan.channels}
    of = ", ".join(f"{name} GPIO {gpio}" for name, gpio in lines.items())
    return f"swap check: {'; '.join(wrong)} (by the plan: {of})"
