"""A pretend rig: pumps with a true flow of their own, in virtual time, that remember every pulse."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from random import Random

from attrs import define, field, frozen

from dosingd.clock import VirtualClock
from dosingd.inputs import Judgement, sensors_of
from dosingd.plan.model import Plan
from dosingd.pumps.bench import BenchPump

DAY_S = 86_400.0
WEEK_S = 7 * DAY_S
#: How far a pretend pump's true flow lies from its nominal one at most, by the seed: a fresh, calibrated head.
FLOW_SPREAD = 0.02


@frozen
class Spell:
    """A time, in true seconds from the start, in which a switch says something of its own: unsafe, safe, or (None) that
    it cannot be read."""

    name: str
    from_s: float
    to_s: float
    unsafe: bool | None


@define
class Pulses:
    """When one pump was on, in true seconds."""

    true_ul_per_s: float  #: at the start
    spans: list[tuple[float, float]] = field(factory=list)
    on_since: float | None = None
    drift_per_week: float = 0.0  #: the share of its flow that the tubing gains, or below zero loses, a week
    began_s: float = 0.0  #: true time at the start

    def ul_per_s_at(self, true_s: float) -> float:
        """The flow at a true time: worn or stiffened by the weeks until then."""
        return float(self.true_ul_per_s * (1 + self.drift_per_week) ** ((true_s - self.began_s) / WEEK_S))

    def given_ul(self, from_s: float = 0.0, to_s: float = math.inf) -> float:
        """The volume that really ran in the runs that began between two true times."""
        return sum((end - start) * self.ul_per_s_at(start) for start, end in self.spans if from_s <= start < to_s)

    def most_ul_per_s(self) -> float:
        """The fastest that it ever gave."""
        return max([self.true_ul_per_s, *(self.ul_per_s_at(end) for _, end in self.spans[-1:])])


class PretendRig:
    """The pumps of a plan. With no seed each gives its nominal flow exactly."""

    def __init__(
        self, plan: Plan, clock: VirtualClock, seed: int | None, drift_per_week: Mapping[str, float] | None = None
    ) -> None:
        random = Random(seed)  # noqa: S311 - a pretend pump, not a secret
        self._clock = clock
        self.pulses = {
            name: Pulses(
                channel.pump.nominal_ul_per_s
                * (1.0 if seed is None else 1.0 + random.uniform(-FLOW_SPREAD, FLOW_SPREAD)),
                drift_per_week=(drift_per_week or {}).get(name, 0.0),
                began_s=clock.true_s,
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


class PretendSwitches:
    """Switches that say what is safe, but for the spells that are named."""

    def __init__(self, plan: Plan, clock: VirtualClock, spells: Sequence[Spell]) -> None:
        self._clock, self._spells = clock, list(spells)
        self._sensors = sensors_of(plan)

    def befall(self, spell: Spell) -> None:
        """A spell that nobody knew of before."""
        self._spells.append(spell)

    def closed(self, name: str) -> bool | None:
        """Whether a contact is closed now."""
        sensor = self._sensors[name]
        for spell in self._spells:
            if spell.name == name and spell.from_s <= self._clock.true_s < spell.to_s:
                return None if spell.unsafe is None else spell.unsafe == sensor.unsafe_when_closed
        return not sensor.unsafe_when_closed

    def refit(self, plan: Plan) -> None:
        """The switches of another plan."""
        self._sensors = sensors_of(plan)

    def close(self) -> None:
        """Nothing is held."""

    def next_change_s(self) -> float:
        """True seconds until a contact moves; infinity: none will."""
        now_s = self._clock.true_s
        edges = (edge for spell in self._spells for edge in (spell.from_s, spell.to_s))
        return min((edge - now_s for edge in edges if edge > now_s), default=math.inf)

    def long_known(self, now_mono_s: float) -> dict[str, Judgement]:
        """What is believed of each on a rig that has run for long."""
        found = {}
        for name, sensor in self._sensors.items():
            closed = self.closed(name)
            unsafe = closed is None or closed == sensor.unsafe_when_closed
            found[name] = Judgement(
                sensor,
                unsafe,
                known=True,
                readable=closed is not None,
                since_mono_s=now_mono_s,
                raw=None if closed is None else unsafe,
                raw_since_mono_s=now_mono_s - DAY_S,
            )
        return found


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
