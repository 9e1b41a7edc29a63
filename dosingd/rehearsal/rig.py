"""A pretend rig: pumps with a true flow of their own, in virtual time, that remember every pulse."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from random import Random

from attrs import define, field

from dosingd.clock import VirtualClock
from dosingd.plan.model import Plan
from dosingd.pumps.bench import BenchPump

DAY_S = 86_400.0
#: How far a pretend pump's true flow lies from its nominal one at most, by the seed: a fresh, calibrated head.
FLOW_SPREAD = 0.02


@define
class Pulses:
    """When one pump was on, in true seconds."""

    true_ul_per_s: float
    spans: list[tuple[float, float]] = field(factory=list)
    on_since: float | None = None

    def given_ul(self) -> float:
        """The volume that really ran."""
        return sum(end - start for start, end in self.spans) * self.true_ul_per_s


class PretendRig:
    """The pumps of a plan. With no seed each gives its nominal flow exactly."""

    def __init__(self, plan: Plan, clock: VirtualClock, seed: int | None) -> None:
        random = Random(seed)  # noqa: S311 - a pretend pump, not a secret
        self._clock = clock
        self.pulses = {
            name: Pulses(
                channel.pump.nominal_ul_per_s
                * (1.0 if seed is None else 1.0 + random.uniform(-FLOW_SPREAD, FLOW_SPREAD))
            )
            for name, channel in plan.channels.items()
        }
        self.pumps: Mapping[str, BenchPump] = {name: BenchPump(name, self._changed) for name in plan.channels}

    def _changed(self, channel: str, on: bool) -> None:
        pulses = self.pulses[channel]
        if on:
            pulses.on_since = self._clock.true_s
        elif pulses.on_since is not None:
            pulses.spans.append((pulses.on_since, self._clock.true_s))
            pulses.on_since = None


def worst_window_ul(spans: Sequence[tuple[float, float]], ul_per_s: float, window_s: float = DAY_S) -> float:
    """The most that any window of true time holds, in µL.

    The fullest window can be moved until it begins at a pulse's start or ends at a pulse's end, so only those are
    looked at. Spans are in order of time and do not overlap.
    """
    worst = 0.0
    last = 0
    whole_s = 0.0  # on-time of spans[first:last]
    for first, (start, end) in enumerate(spans):
        while last < len(spans) and spans[last][1] <= start + window_s:
            whole_s += spans[last][1] - spans[last][0]
            last += 1
        part_s = max(0.0, start + window_s - spans[last][0]) if last < len(spans) else 0.0
        worst = max(worst, whole_s + part_s)
        if last > first:
            whole_s -= end - start
        else:
            last = first + 1
    earliest = 0
    whole_s = 0.0
    for start, end in spans:
        whole_s += end - start
        while spans[earliest][1] <= end - window_s:
            whole_s -= spans[earliest][1] - spans[earliest][0]
            earliest += 1
        cut_s = max(0.0, end - window_s - spans[earliest][0])
        worst = max(worst, whole_s - cut_s)
    return worst * ul_per_s
