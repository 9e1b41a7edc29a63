"""The ledger and the books together: what is written is folded at once, so that nobody reads books that lag."""

from __future__ import annotations

from collections.abc import Callable

from dosingd.books import Books
from dosingd.ledger.book import Book
from dosingd.records import Event, Reading, Row, Settled

#: What is told of each row, with the row of the reservation that it settles: it must neither wait nor raise.
Told = Callable[[Row, Row | None], None]


class Account:
    """A ledger with its books. The turn thread owns it."""

    def __init__(self, book: Book) -> None:
        """Reads every row of the ledger once."""
        self.book = book
        self.books = Books()
        self.told: Told | None = None
        for row in book.rows():
            self.books.apply(row)

    def write(self, event: Event, reading: Reading) -> Row:
        """Append one event, durable when this returns, and fold it into the books.

        Raises LedgerFailed when it could not be written: nothing may be pumped then. Raises LedgerRefused when the
        event's slot was consumed before.
        """
        row = self.book.append(event, reading)
        settled = self.books.open.get(event.reservation) if isinstance(event, Settled) else None
        self.books.apply(row)
        if self.told is not None:
            self.told(row, settled)
        return row
