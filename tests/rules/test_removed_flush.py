"""R7: what the tubing may still hold counts, until it has surely been flushed."""

from __future__ import annotations

from datetime import UTC, datetime

from dosingd.books import Books
from dosingd.chemistry.stock import Strength
from dosingd.records import Event, Into, Outcome, Purpose, Reading, Refilled, Reserved, Row, Settled
from dosingd.reservoir import outlet_strength

NOW = Reading(datetime(2027, 3, 28, 12, tzinfo=UTC), "boot-1", 0.0, synchronised=True)


def refilled(eq_per_l: float) -> Refilled:
    return Refilled("alk", 2_000_000, None, "soda", {"alkalinity": eq_per_l}, 3_500)


def run(books: Books, seq: int, outcome: Outcome, volume_ul: int) -> None:
    apply(books, seq, Reserved("alk", Purpose.PRIME, Into.CUP, volume_ul, volume_ul, 20_000, 20_500, 250.0))
    apply(books, seq + 1, Settled(seq, "alk", outcome, volume_ul, 20_500))


def apply(books: Books, seq: int, event: Event) -> None:
    books.apply(Row(seq, NOW, event, 0))


def at_outlet(books: Books) -> float:
    strength = outlet_strength(books.contents["alk"])
    assert isinstance(strength, Strength)
    return strength.alkalinity_eq_per_l


def test_refilled_twice_before_the_line_was_flushed_it_may_hold_the_stock_before_the_last() -> None:
    books = Books()
    for seq, eq_per_l in enumerate((3.0, 1.0, 0.5), 1):
        apply(books, seq, refilled(eq_per_l))
    assert at_outlet(books) == 3.0
    run(books, 4, Outcome.GIVEN, 3_500)
    assert at_outlet(books) == 0.5


def test_a_run_nobody_saw_the_end_of_flushes_no_line() -> None:
    books = Books()
    apply(books, 1, refilled(3.0))
    apply(books, 2, refilled(1.0))
    run(books, 3, Outcome.UNKNOWN, 50_000)
    assert at_outlet(books) == 3.0
    assert books.contents["alk"].left_ul == 1_950_000
    run(books, 5, Outcome.PARTIAL, 3_500)
    assert at_outlet(books) == 1.0
