"""What lies in a state directory, and the books that a ledger there folds to."""

from __future__ import annotations

from pathlib import Path

from dosingd.books import Books
from dosingd.ledger import Book
from dosingd.ledger.account import Account
from dosingd.ledger.places import ledger_path, witness_directory

__all__ = ["books_in", "ledger_path", "witness_directory"]


def books_in(state: Path) -> Books:
    """The books of the ledger in a state directory, read beside a running daemon. Raises LedgerRefused."""
    book = Book.read(ledger_path(state))
    try:
        return Account(book).books
    finally:
        book.close()
