"""Rigs that are killed, stopped and terminated at random moments, started again each time, and judged by the oracle.

The waits are real time, because the matter is real processes. The rigs run beside each other, each in a state directory
of its own; the seed fixes what is done to each and when after what it saw.
"""

from __future__ import annotations

import statistics
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from dosingd.clock import SystemClock
from tests.kills import oracle
from tests.kills.files import pulses_of, rows_of, with_rows
from tests.kills.oracle import Keeper
from tests.kills.plans import PERIOD_S, ROOMY, RUN_S, TIGHT, Limits, keeper, plan_text
from tests.kills.rig import Rig, StartRefused

#: The first time of a process, in which it reads the plan, opens the ledger and drives the lines low.
STARTING_S = 0.5
#: Longer than a dose can be away: two periods, and what a rig that was held or had no allowance needs besides.
PATIENCE_S = 3 * PERIOD_S
#: A rig with tight limits is left alone for up to so long before each kill.
CALM_S = 3 * PERIOD_S


@dataclass
class Figures:
    """What was done and what was seen, over all rigs."""

    done: Counter[str] = field(default_factory=Counter)
    on_pin: Counter[str] = field(default_factory=Counter)
    starts: int = 0
    refused_starts: int = 0
    holds: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    pulses: int = 0
    excess_ul: float = 0.0
    stop_delays_ms: list[float] = field(default_factory=list)
    closest: dict[str, float] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)

    def add(self, other: Figures) -> None:
        self.done += other.done
        self.on_pin += other.on_pin
        self.starts += other.starts
        self.refused_starts += other.refused_starts
        self.holds += other.holds
        self.outcomes += other.outcomes
        self.pulses += other.pulses
        self.excess_ul += other.excess_ul
        self.stop_delays_ms += other.stop_delays_ms
        self.closest |= {name: max(part, self.closest.get(name, 0.0)) for name, part in other.closest.items()}
        self.faults += other.faults

    def text(self) -> str:
        """The figures for a person."""
        kills, landed = self.done.total(), self.on_pin.total()
        delays = sorted(self.stop_delays_ms)
        lines = [f"{kills} kills, {landed} while a pin was on ({100 * landed / max(1, kills):.0f} %):"]
        lines += [f"  {name}: {count}, {self.on_pin[name]} on a pin" for name, count in sorted(self.done.items())]
        lines += [
            f"{self.starts} starts, {self.refused_starts} refused; {self.holds} holds released",
            f"{self.pulses} pulses, {self.excess_ul / 1000:.2f} mL past leases while no daemon ran",
            "reservations: " + ", ".join(f"{count} {name}" for name, count in sorted(self.outcomes.items())),
        ]
        if delays:
            lines.append(
                f"SIGTERM to pin low, {len(delays)} times: median {statistics.median(delays):.1f} ms, 95 %"
                f" {delays[int(0.95 * (len(delays) - 1))]:.1f} ms, longest {delays[-1]:.1f} ms"
            )
        lines += [f"  {name}: {100 * part:.1f} % of what is allowed" for name, part in sorted(self.closest.items())]
        return "\n".join(lines)


def campaign(place: Path, kills: int, *, rigs: int, seed: str) -> Figures:
    """So many kills over so many rigs, side by side. Every third has tight limits and a third of the others' kills: a
    rig comes near its limits only while it doses."""
    tight = [number % 3 == 2 for number in range(rigs)]
    each = kills // sum(1 if small else 3 for small in tight)
    shares = [each if small else 3 * each for small in tight]
    shares[0] += kills - sum(shares)
    with ThreadPoolExecutor(rigs) as threads:
        parts = threads.map(
            lambda number: _one(
                place / f"rig-{number}", shares[number], Random(f"{seed}/{number}"), TIGHT if tight[number] else ROOMY
            ),
            range(rigs),
        )
        total = Figures()
        for part in parts:
            total.add(part)
    return total


def _one(place: Path, kills: int, random: Random, limits: Limits) -> Figures:
    minutes = 10 + kills // (2 if limits is TIGHT else 8)
    rig = Rig(place, plan_text(limits, SystemClock().now().wall_at, minutes))
    figures = Figures()
    try:
        _Strikes(rig, random, figures, CALM_S if limits is TIGHT else 0.0).make(kills)
        if not figures.faults:
            _judge(rig, keeper(limits), figures)
    except StartRefused as refused:
        figures.refused_starts += 1
        figures.faults.append(str(refused))
    except AssertionError as fault:
        figures.faults.append(str(fault))
    finally:
        rig.close()
    return figures


class _Strikes:
    """What is done to one rig."""

    def __init__(self, rig: Rig, random: Random, figures: Figures, calm_s: float) -> None:
        self.rig, self.random, self.figures, self.calm_s = rig, random, figures, calm_s
        self.running = False

    def make(self, kills: int) -> None:
        """So many kills, and then an orderly end of a daemon that doses."""
        for _ in range(kills):
            if self.figures.faults:
                return
            self._one()
        if not self.running:
            self._start()
            self.rig.wait_ready()
        self._new_pulse()
        status = self.rig.terminate()
        if status != 0:
            self._fault(f"the last SIGTERM: exit status {status}")

    def _one(self) -> None:
        chance = self.random.random
        if not self.running:
            self._start()
            if chance() < 0.15:
                self.rig.pass_s(STARTING_S * chance())
                return self._kill("SIGKILL at a start") if chance() < 0.7 else self._terminate("SIGTERM at a start")
            self.rig.wait_ready()
        self.rig.pass_s(self.calm_s * chance())
        if chance() < 0.5 and self._new_pulse():
            # A quarter of these within a few milliseconds of the edge, where row and pin lie closest together.
            self.rig.pass_s(0.005 * chance() if chance() < 0.25 else RUN_S * chance())
        else:
            self.rig.pass_s(PERIOD_S / 2 * chance())
        which = chance()
        if which < 0.42:
            self._kill("SIGKILL")
        elif which < 0.72:
            self._terminate("SIGTERM")
        else:
            self._stop(which < 0.88)
        return None

    def _start(self) -> None:
        self.rig.start()
        self.figures.starts += 1
        self.running = True

    def _new_pulse(self) -> bool:
        """Wait until a line goes high; a rig that is held is released first."""
        rig = self.rig
        seen = rig.changes

        def goes_on() -> bool:
            return rig.changes > seen and bool(rig.on)

        came = rig.until(lambda: goes_on() or rig.held, PATIENCE_S)
        if rig.held:
            # Nobody comes at once: a rig that does not mind its latch doses meanwhile.
            rig.pass_s(PERIOD_S / 2 * self.random.random())
            rig.release()
            self.figures.holds += 1
            came = rig.until(goes_on, PATIENCE_S)
        return came

    def _kill(self, name: str) -> None:
        self.rig.kill()
        self._died(name)

    def _terminate(self, name: str) -> None:
        was_ready = self.rig.is_ready
        status = self.rig.terminate()
        # In a start, before it listens to signals, SIGTERM ends the process as SIGKILL does (signal(7)).
        if status != 0 and (was_ready or status != -15):
            self._fault(f"{name}: exit status {status}")
        self._died(name)

    def _stop(self, goes_on: bool) -> None:
        self.rig.stop()
        on_pin = bool(self.rig.on)
        # A lease has half a second more than its run, so some of these outlive it, and the longest outlive any.
        self.rig.pass_s(self.random.uniform(1.5, 3.0) if self.random.random() < 0.2 else self.random.uniform(0.05, 1.5))
        if goes_on:
            self.rig.go_on()
            self._count("SIGSTOP, SIGCONT", on_pin)
        else:
            self._kill("SIGSTOP, SIGKILL")

    def _died(self, name: str) -> None:
        self.running = False
        self._count(name, bool(self.rig.on))
        self.figures.faults += [f"after {name}: {fault}" for fault in oracle.breaches_at_death(self.rig.state)]

    def _count(self, name: str, on_pin: bool) -> None:
        self.figures.done[name] += 1
        self.figures.on_pin[name] += on_pin

    def _fault(self, text: str) -> None:
        self.figures.faults.append(f"{self.rig.place}: {text}\n{self.rig.log()}")


def _judge(rig: Rig, allowed: Keeper, figures: Figures) -> None:
    """Hand it all to the oracle, and count what happened."""
    found = oracle.breaches(rig.state, allowed, rig.outages, rig.stops_s)
    figures.faults += [f"{rig.place}: {fault}" for fault in found]
    rows = rows_of(rig.state)
    pulses = with_rows(pulses_of(rig.state / "pulses.jsonl")[0], rows)
    # The last SIGTERM is none of the kills.
    figures.on_pin["SIGTERM"] += len(oracle.stop_delays_s(pulses, rig.stops_s[:-1]))
    delays_s = oracle.stop_delays_s(pulses, rig.stops_s)
    figures.stop_delays_ms += [1000 * delay_s for delay_s in delays_s]
    figures.pulses += len(pulses)
    for pulse in pulses:
        figures.excess_ul += (pulse.length_s - pulse.fair_s) * allowed.ul_per_s[pulse.channel]
    for row in rows:
        if row.kind in ("settled", "not_given"):
            figures.outcomes[row.body["outcome"]] += row.body.get("doses", 1)
    for name, (amount, most, _, _) in oracle.closest(pulses, rows, allowed).items():
        figures.closest[name] = amount / most if most else 0.0
