"""What really ran and where it went, counted beside the rig: it shares no code with the program.

It is told when each pretend pump's line was high (true seconds from the start), and knows by itself what no ledger
knows: how fast each head really pumps, from which reservoir its line draws, how strong that is, and whether the outlet
hangs over a cup.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

DAY_S = 86_400.0
WEEK_S = 7 * DAY_S

Spans = Mapping[str, Sequence[tuple[float, float]]]


@dataclass
class Bottle:
    """What is really in a reservoir and in its line of 3.5 mL, in µL and µmol (µeq) per µL."""

    left_ul: float = 1_000_000.0
    per_ul: float = 1.0
    line: list[list[float]] = field(default_factory=list)  #: [µL, per µL] from the outlet's end
    substance: str = "alkalinity"

    def __post_init__(self) -> None:
        self.line = self.line or [[3_500.0, self.per_ul]]

    def draw(self, volume_ul: float) -> float:
        """So much runs through the line; what came out of its end. An empty bottle gives air."""
        drawn_ul = min(volume_ul, self.left_ul)
        self.left_ul -= drawn_ul
        self.line += [[drawn_ul, self.per_ul], [volume_ul - drawn_ul, 0.0]]
        out = 0.0
        while volume_ul > 1e-9:
            part_ul = min(volume_ul, self.line[0][0])
            out += part_ul * self.line[0][1]
            volume_ul -= part_ul
            self.line[0][0] -= part_ul
            if self.line[0][0] <= 1e-9:
                self.line.pop(0)
        return out

    def pour(self, to_ul: float, per_ul: float) -> None:
        """Filled up with so strong a stock, and stirred."""
        self.per_ul = (self.left_ul * self.per_ul + (to_ul - self.left_ul) * per_ul) / to_ul
        self.left_ul = to_ul


@dataclass
class Ran:
    """One run of a pump: when it began, how much, of what, and whether into a cup."""

    head: str
    at_s: float
    volume_ul: float
    amount: float
    substance: str
    cup: bool


@dataclass
class Truth:
    """The rig as it is. `ul_per_s` by head at the start; `drift` by head, the share of it that a week adds."""

    ul_per_s: dict[str, float]
    drift: dict[str, float] = field(default_factory=dict)
    bottles: dict[str, Bottle] = field(default_factory=dict)
    #: From which reservoir a head's line draws, where it is not its own.
    lines: dict[str, str] = field(default_factory=dict)
    #: The heads whose outlet hangs over a cup now.
    cups: set[str] = field(default_factory=set)
    ran: list[Ran] = field(default_factory=list)
    #: What went into the tank by itself, without a pump: true second, µL, amount, substance.
    siphoned: list[tuple[float, float, float, str]] = field(default_factory=list)
    _seen: dict[str, int] = field(default_factory=dict)

    def flow_at(self, head: str, at_s: float) -> float:
        """µL/s of a head at a true second."""
        return self.ul_per_s[head] * float((1 + self.drift.get(head, 0.0)) ** (at_s / WEEK_S))

    def look(self, spans: Spans) -> None:
        """Take in whatever ran since the last look. To be called before anything else of the truth changes."""
        new = sorted(
            (start_s, end_s, head) for head, all_ in spans.items() for start_s, end_s in all_[self._seen.get(head, 0) :]
        )
        for start_s, end_s, head in new:
            self._seen[head] = self._seen.get(head, 0) + 1
            volume_ul = (end_s - start_s) * self.flow_at(head, start_s)
            bottle = self.bottles[self.lines.get(head, head)]
            amount = bottle.draw(volume_ul)
            self.ran.append(Ran(head, start_s, volume_ul, amount, bottle.substance, head in self.cups))

    def siphon(self, at_s: float, name: str, volume_ul: float) -> None:
        """So much runs out of a reservoir through its line, and the pump stands still."""
        bottle = self.bottles[name]
        volume_ul = min(volume_ul, bottle.left_ul)
        self.siphoned.append((at_s, volume_ul, bottle.draw(volume_ul), bottle.substance))

    def runs(self, head: str, from_s: float = 0.0, to_s: float = float("inf"), *, cup: bool = False) -> list[Ran]:
        """The runs of a head that began between two true seconds, into the tank or into a cup."""
        return [one for one in self.ran if one.head == head and one.cup == cup and from_s <= one.at_s < to_s]

    def change(self, substance: str, from_s: float, to_s: float) -> float:
        """What the pumps brought into the tank of a substance between two true seconds, in µmol (µeq)."""
        return sum(
            one.amount for one in self.ran if not one.cup and one.substance == substance and from_s <= one.at_s < to_s
        )

    def worst_day_ul(self, head: str) -> float:
        """The most that any 24 hours brought into the tank from a head, in µL."""
        return _worst((one.at_s, one.volume_ul) for one in self.runs(head))

    def worst_day_change(self, substance: str) -> float:
        """The most that any 24 hours changed the tank by, in µmol (µeq), by the pumps."""
        return _worst((one.at_s, one.amount) for one in self.ran if not one.cup and one.substance == substance)


def _worst(of: Iterable[tuple[float, float]]) -> float:
    """The largest sum within 24 hours: a run counts whole where it begins."""
    found, first, total, worst = list(of), 0, 0.0, 0.0
    for at_s, amount in found:
        total += amount
        while found[first][0] <= at_s - DAY_S:
            total -= found[first][1]
            first += 1
        worst = max(worst, total)
    return worst
