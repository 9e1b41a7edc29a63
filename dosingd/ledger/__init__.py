"""The ledger and its witness: what was reserved, given, refused and missed, durable before a pump may start."""

from dosingd.ledger.book import Book
from dosingd.ledger.opening import AtStep
from dosingd.ledger.witness import Booked, Disk, Files, Mark, MemoryWitness, Witness

__all__ = ["AtStep", "Book", "Booked", "Disk", "Files", "Mark", "MemoryWitness", "Witness"]
