"""Plans for the tests, built from the model itself, and a small rig in virtual time. All demo data is invented.

The numbers are round so that every expected figure can be worked out in the head. Every pump gives 100 µL/s, so the
0.5 s by which a lease outlasts its run is 50 µL, and a dose of 1 mL reserves 1.05 mL and 10.5 s.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from attrs import evolve

from dosingd.books import Books
from dosingd.chemistry.stock import Strength
from dosingd.clock import VirtualClock
from dosingd.flows import bench_calibration
from dosingd.gate import Request
from dosingd.ledger import Book
from dosingd.ledger.account import Account
from dosingd.ledger.opening import AtStep, no_step
from dosingd.limits import plan_loaded
from dosingd.plan.model import (
    Apart,
    Channel,
    DailyChange,
    DailyVolume,
    Follows,
    Limits,
    LocalSpan,
    Plan,
    Pump,
    Reservoir,
    Stock,
    Tank,
)
from dosingd.records import (
    Event,
    Into,
    LedgerMade,
    Outcome,
    PlanLoaded,
    Purpose,
    Reading,
    Refilled,
    Reserved,
    Row,
    Settled,
    Stamp,
    Substance,
    proven_ms_after,
)
from dosingd.recovery import LinesLow
from dosingd.rounds import Rounds
from dosingd.turn import Turn

#: A local midnight of the zone UTC.
START_AT = datetime(2026, 6, 1, tzinfo=UTC)
TODAY = date(2026, 6, 1)
EPOCH_AT = datetime(1970, 1, 1, tzinfo=UTC)
HOUR_MS = 3_600_000

SODA = Stock("soda", Substance.ALKALINITY, Strength(alkalinity_eq_per_l=1.0))
CHLORIDE = Stock("chloride", Substance.CALCIUM, Strength(calcium_mol_per_l=0.5))


def reading(mono_s: float = 0.0, *, boot: str = "boot-1", wall_s: float | None = None, synced: bool = True) -> Reading:
    """A look at the clocks; the wall clock goes with BOOTTIME unless said otherwise."""
    return Reading(START_AT + timedelta(seconds=mono_s if wall_s is None else wall_s), boot, mono_s, synced)


def span(from_: str, to: str) -> LocalSpan:
    return LocalSpan(time.fromisoformat(from_), time.fromisoformat(to))


def channel(
    name: str,
    stock: str = "soda",
    daily: DailyChange | DailyVolume | Follows = DailyChange(24_000.0),  # noqa: B008 - frozen
    doses: int = 24,
    *,
    flow: float = 100.0,
    smallest_ul: int = 200,
    dose_ul: int = 5_000,
    day_ul: int = 40_000,
    run_s: float = 800.0,
    rise_umol: float | None = 40_000.0,
    holds_ul: int = 1_000_000,
    reserve_ul: int = 50_000,
    warn_days: float = 7.0,
) -> Channel:
    """24 mL a day in 24 doses of 1 mL; depths of the allowance 10 mL, 200 s and 10 meq."""
    return Channel(
        name,
        stock,
        daily,
        doses,
        Pump(17, flow, smallest_ul),
        Limits(dose_ul, day_ul, run_s, rise_umol),
        Reservoir(holds_ul, reserve_ul, warn_days),
    )


ALK = channel("alk")
#: 1 mol of calcium for 2 eq: 12,000 µmol of 0.5 mol/L, 24 mL.
CA = channel("ca", "chloride", Follows("alk"), rise_umol=20_000.0)


def plan(
    *channels: Channel,
    gap_s: float = 1200.0,
    quiet: tuple[LocalSpan, ...] = (),
    zone: str = "UTC",
    stocks: tuple[Stock, ...] = (SODA, CHLORIDE),
) -> Plan:
    """Alkalinity and calcium, 20 minutes apart, unless other channels are named."""
    channels = channels or (ALK, CA)
    names = tuple(one.id for one in channels)
    apart = (Apart(names, gap_s),) if len(names) > 1 and gap_s > 0 else ()
    return Plan(
        "demo",
        zone,
        Tank(100.0),
        {one.id: one for one in stocks},
        {one.id: one for one in channels},
        apart=apart,
        quiet=quiet,
        sha256="00" * 32,
    )


def limited(one: Channel, **limits: Any) -> Channel:
    """The channel with other limits."""
    return evolve(one, limits=evolve(one.limits, **limits))


def request(
    name: str = "alk",
    volume_ul: int = 1_000,
    *,
    purpose: Purpose = Purpose.MANUAL,
    into: Into = Into.TANK,
    slot: str | None = None,
    day: date | None = None,
) -> Request:
    return Request(name, purpose, into, volume_ul, slot, None, day)


def scheduled(name: str = "alk", volume_ul: int = 1_000, slot: str = "s1", day: date | None = TODAY) -> Request:
    return request(name, volume_ul, purpose=Purpose.SCHEDULED, slot=slot, day=day)


def calibrations(of: Plan) -> list[Event]:
    """Every pump calibrated at its nominal flow, as on a bench: without that a channel does not dose."""
    return [bench_calibration(one) for one in of.channels.values()]


class Story:
    """Books told row by row, without a ledger: the tests of the pure rooms are written in it."""

    def __init__(self, of: Plan, *, full: bool = True, at: Reading | None = None, calibrated: bool = True) -> None:
        self.plan = of
        self.books = Books()
        self.now = reading() if at is None else at
        self.tell(LedgerMade("story", bench=True, full=full))
        self.tell(plan_loaded(of, EPOCH_AT))
        for event in calibrations(of) if calibrated else ():
            self.tell(event)

    def at(self, mono_s: float, **more: Any) -> Story:
        """Let the clocks show this."""
        self.now = reading(mono_s, **more)
        return self

    def tell(self, event: Event) -> Row:
        newest = self.books.newest
        row = Row(1 if newest is None else newest.seq + 1, self.now, event, proven_ms_after(newest, self.now))
        self.books.apply(row)
        return row

    def reserve(
        self,
        name: str = "alk",
        asked_ul: int = 1_000,
        *,
        into: Into = Into.TANK,
        purpose: Purpose = Purpose.MANUAL,
        slot: str | None = None,
        day: date | None = None,
        asked_umol: float | None = None,
        change: Mapping[str, int] | None = None,
    ) -> Row:
        """A reservation of 100 µL/s and half a second more, as the gate would write it for the round pumps."""
        reserved_ul = asked_ul + 50
        return self.tell(
            Reserved(
                name,
                purpose,
                into,
                asked_ul,
                reserved_ul,
                asked_ul * 10,
                asked_ul * 10 + 500,
                100.0,
                {} if change is None else change,
                asked_umol,
                slot,
                None,
                day,
            )
        )

    def settle(self, row: Row, given_ul: int | None = None, outcome: Outcome = Outcome.GIVEN) -> Row:
        event = row.event
        assert isinstance(event, Reserved)
        given = event.asked_ul if given_ul is None else given_ul
        change = {key: -(-amount * given // event.reserved_ul) for key, amount in event.change_umol.items()}
        return self.tell(Settled(row.seq, event.channel, outcome, given, given * 10, change, event.slot))


class WatchedPump:
    """A pump that tells a journal when its line changes, in true seconds."""

    def __init__(self, name: str, clock: VirtualClock, journal: list[str], spans: list[tuple[float, float]]) -> None:
        self.name, self._clock, self._journal, self.spans = name, clock, journal, spans
        self._since: float | None = None
        self.fails_off = False

    def on(self) -> None:
        self._journal.append(f"{self.name} on")
        self._since = self._clock.true_s

    def off(self) -> None:
        self._journal.append(f"{self.name} off")
        if self._since is not None:
            self.spans.append((self._since, self._clock.true_s))
            self._since = None
        if self.fails_off:
            raise OSError("the line does not answer")

    @property
    def is_on(self) -> bool:
        return self._since is not None


class Rig:
    """A whole rig in virtual time: ledger in memory, books, turn and rounds, and pumps that are watched."""

    def __init__(
        self,
        of: Plan,
        *,
        start_at: datetime = START_AT,
        full: bool = True,
        synced: bool = True,
        mono_s: float = 1000.0,
        at_step: AtStep = no_step,
        clock: VirtualClock | None = None,
        interrupt: threading.Event | None = None,
        calibrated: bool = True,
        bench: bool = True,
    ) -> None:
        self.clock = VirtualClock(start_at, synchronised=synced, mono_s=mono_s) if clock is None else clock
        self.journal: list[str] = []
        self.spans: dict[str, list[tuple[float, float]]] = {name: [] for name in of.channels}
        self.interrupt = threading.Event() if interrupt is None else interrupt
        self.at_step = at_step
        self.account = Account(
            Book.pretend(LedgerMade("demo", bench=bench, full=full), self.clock.now(), at_step=lambda s: self._step(s))
        )
        for event in calibrations(of) if calibrated else ():
            self.account.write(event, self.clock.now())
        self.plan = of
        self.pumps = {name: WatchedPump(name, self.clock, self.journal, self.spans[name]) for name in of.channels}
        self._wire()

    def _step(self, step: str) -> None:
        self.journal.append(step)
        self.at_step(step)

    def _wire(self) -> None:
        self.turn = Turn(
            self.plan,
            self.account,
            self.pumps,
            self.clock,
            trusted=lambda: self.rounds.trusted(),
            interrupt=self.interrupt,
        )
        self.rounds = Rounds(self.account, self.clock, self.turn)

    @property
    def books(self) -> Books:
        return self.account.books

    def start(self, helper: LinesLow | None = None, *, all_low: bool = True) -> Rig:
        self.rounds.start(helper=helper, all_low=all_low)
        return self

    def restart(self, helper: LinesLow | None = None, *, all_low: bool = True) -> Rig:
        """The daemon ends and begins again: everything is derived from the ledger anew, but for the stop helper's word
        and the plan, `self.plan`."""
        self.account = Account(self.account.book)
        self._wire()
        return self.start(helper, all_low=all_low)

    def live(self, seconds: float) -> Rig:
        """Rounds for so many true seconds."""
        end_s = self.clock.true_s + seconds
        while self.clock.true_s < end_s:
            next_mono_s = self.rounds.make()
            left_s = end_s - self.clock.true_s
            if left_s > 0:
                self.clock.wait_until_mono_s(min(next_mono_s, self.clock.mono_s + left_s))
        return self

    def events(self, *kinds: type) -> list[Event]:
        """The ledger's events of these kinds, oldest first."""
        return [row.event for row in self.account.book.rows() if not kinds or isinstance(row.event, kinds)]

    def rows(self, *kinds: type) -> list[Row]:
        return [row for row in self.account.book.rows() if not kinds or isinstance(row.event, kinds)]

    def pulse_s(self, name: str, from_s: float = 0.0, to_s: float = float("inf")) -> float:
        """True seconds that a pump was on."""
        return sum(max(0.0, min(end, to_s) - max(start, from_s)) for start, end in self.spans[name])

    def refill(self, name: str, to_ul: int, strength: Mapping[str, float] | None = None, line_ul: int = 0) -> None:
        stock = self.plan.stock_of(name)
        own = {} if stock.strength is None else {str(stock.gives): stock.strength.of(stock.gives)}
        self.account.write(
            Refilled(name, to_ul, None, stock.id, own if strength is None else strength, line_ul), self.clock.now()
        )


__all__ = [
    "ALK",
    "CA",
    "CHLORIDE",
    "EPOCH_AT",
    "HOUR_MS",
    "SODA",
    "START_AT",
    "TODAY",
    "PlanLoaded",
    "Rig",
    "Stamp",
    "Story",
    "WatchedPump",
    "channel",
    "limited",
    "plan",
    "reading",
    "request",
    "scheduled",
    "span",
]
