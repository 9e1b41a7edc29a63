"""What lies in a state directory, and the books that a ledger there folds to."""

from __future__ import annotations

from pathlib import Path

from dosingd.books import Books
from dosingd.ledger import Book


def ledger_path(state: Path) -> Path:
    """The ledger's file."""
    return state / "ledger.sqlite"


def witness_directory(state: Path) -> Path:
    """Where the witness lies unless --witness names another place."""
    return state / "witness"


def books_in(state: Path) -> Books:
    """The books of the ledger in a state directory, read beside a running daemon. Raises LedgerRefused."""
    book = Book.read(ledger_path(state))
    try:
        books = Books()
        for row in book.rows():
            books.apply(row)
        return books
    finally:
        book.close()
