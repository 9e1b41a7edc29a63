"""How long the ledger takes: a year of doses in memory, and opening that year again."""

from __future__ import annotations

from pathlib import Path
from time import perf_counter

import pytest

from dosingd.ledger import Book
from tests.ledger.ledgers import MADE, place, reading, reserved, settled

pytestmark = pytest.mark.benchmark

_ROWS = 100_000


def _filled(book: Book, rows: int) -> float:
    began_s = perf_counter()
    for dose in range(rows // 2):
        row = book.append(reserved(f"alk-{dose}"), reading(600.0 * dose))
        book.append(settled(row.seq), reading(600.0 * dose + 12))
    return perf_counter() - began_s


def test_a_rehearsed_year() -> None:
    book = Book.pretend(MADE, reading())
    took_s = _filled(book, _ROWS)
    print(f"\nin memory: {took_s / _ROWS * 1e6:.0f} µs a row")
    began_s = perf_counter()
    assert sum(1 for _ in book.rows()) == _ROWS + 1
    print(f"read back: {(perf_counter() - began_s) / _ROWS * 1e6:.0f} µs a row")
    assert took_s / _ROWS < 100e-6


def test_opening_a_year(tmp_path: Path) -> None:
    path, witness = place(tmp_path)
    book = Book.make(path, witness, MADE, reading())
    took_s = _filled(book, _ROWS)
    book.close()
    began_s = perf_counter()
    book = Book.open(path, witness)
    opened_s = perf_counter() - began_s
    print(
        f"\non disk: {took_s / _ROWS * 1e6:.0f} µs a row; {path.stat().st_size / 1e6:.0f} MB opened in {opened_s:.2f} s"
    )
    assert book.newest.seq == _ROWS + 1
    assert opened_s < 2
    book.close()
