"""A ledger is accepted when the newest mark of its witness is a row of it, and else refused (R3)."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from dosingd.errors import LedgerFailed, LedgerRefused
from dosingd.ledger import Book, Disk, Mark, Witness
from dosingd.ledger.witness import mark_from_slot, slot_from_mark
from dosingd.records import Event, Held, Reading, Refilled, Stamp
from tests.ledger.ledgers import (
    MADE,
    OTHER,
    copied,
    made,
    opens,
    place,
    reading,
    refused,
    reserved,
    seqs_on_disk,
    settled,
)


def test_a_ledger_ahead_of_its_witness_is_normal(tmp_path: Path) -> None:
    made(tmp_path, reserved("alk-1"))
    early = copied(tmp_path / "witness", tmp_path / "early")
    book = Book.open(*place(tmp_path))
    for second in range(9):
        book.append(Stamp(), reading(10 + second))
    book.close()
    copied(early, tmp_path / "witness")
    assert opens(tmp_path) == 11
    assert Witness(tmp_path / "witness").newest()[0].seq == 11


def test_an_older_copy_is_refused_and_told_what_it_does_not_know(tmp_path: Path) -> None:
    events: list[Event] = [
        reserved("alk-1"),
        settled(2),
        reserved("ca-1", "ca"),
        Held("wet"),
        Refilled("alk", 1, 1, "s", {}, 0),
    ]
    copies = [made(tmp_path / str(count), *events[:count]) for count in range(len(events) + 1)]
    for count, copy in enumerate(copies[:-1]):
        state = copied(tmp_path / str(len(events)), tmp_path / f"restored-{count}")
        shutil.copy(copy, state / "ledger.db")
        message = refused(state, rf"ends at row {count + 1}, and its witness has seen row 6: this is an older copy")
        assert ("ca 3.2 mL" in message) == (count < 3)
        assert ("alk 2.9 mL" in message) == (count < 1)


def test_copies_that_were_both_written_to_arerefused(tmp_path: Path) -> None:
    made(tmp_path / "one", reserved("alk-1"))
    copied(tmp_path / "one", tmp_path / "two")
    for name, count in (("one", 1), ("two", 2)):
        book = Book.open(*place(tmp_path / name))
        for index in range(count):
            book.append(reserved(f"{name}-{index}"), reading(50 + index))
        book.close()
    for ledger, witness, words in (
        ("one", "two", "ends at row 3, and its witness has seen row 4"),
        ("two", "one", "its row 3 is not the one that its witness has seen"),
    ):
        state = copied(tmp_path / ledger, tmp_path / f"{ledger}-mixed")
        copied(tmp_path / witness / "witness", state / "witness")
        refused(state, words)


def test_a_copy_that_went_its_own_way_and_caught_up_is_refused(tmp_path: Path) -> None:
    # Same number of rows, same events, another second: only the hash tells them apart.
    path, witness = place(tmp_path)
    made(tmp_path, reserved("alk-1"))
    copied(tmp_path, tmp_path.parent / f"{tmp_path.name}-fork")
    fork = tmp_path.parent / f"{tmp_path.name}-fork"
    for state, second in ((tmp_path, 10), (fork, 11)):
        book = Book.open(*place(state))
        book.append(reserved("alk-2"), reading(second))
        book.close()
    shutil.copy(fork / "ledger.db", path)
    refused(tmp_path, "its row 3 is not the one")
    assert witness.newest()[0].seq == 3


def test_another_ledger_is_refused(tmp_path: Path) -> None:
    made(tmp_path / "one", Stamp())
    path, witness = place(tmp_path / "two")
    book = Book.make(path, witness, OTHER, reading())
    for second in range(5):
        book.append(Stamp(), reading(second))
    book.close()
    shutil.copy(path, tmp_path / "one" / "ledger.db")
    refused(tmp_path / "one", "this is ledger another-ledger, and the witness .* belongs to ledger ledger-of-the-tests")


def test_another_ledger_of_the_same_name_is_refused(tmp_path: Path) -> None:
    made(tmp_path / "one", Stamp())
    path, witness = place(tmp_path / "two")
    Book.make(path, witness, MADE, Reading(reading().wall_at, "boot-9", 3.0, True)).close()
    shutil.copytree(tmp_path / "two" / "witness", tmp_path / "one" / "witness", dirs_exist_ok=True)
    (tmp_path / "one" / "witness" / "witness-1").unlink()
    refused(tmp_path / "one", "its row 1 is not the one")


@pytest.mark.parametrize("damage", ["unlink", "empty", "torn", "zeros"])
def test_without_a_valid_slot_only_a_ledger_of_one_row_is_accepted(tmp_path: Path, damage: str) -> None:
    for count, accepted in ((0, True), (1, False), (2, False)):
        made(tmp_path / str(count), *[Stamp()] * count)
        path, witness = place(tmp_path / str(count))
        for slot in witness.paths:
            content = slot.read_bytes() if slot.exists() else b""
            slot.unlink(missing_ok=True)
            if damage != "unlink":
                slot.write_bytes({"empty": b"", "torn": content[:90], "zeros": bytes(4096)}[damage])
        if accepted:
            assert opens(tmp_path / str(count)) == 1
            # and from then on the witness is there
            assert witness.newest()[0].seq == 1
        else:
            refused(tmp_path / str(count), "its witness in .* is gone or damaged")
        assert seqs_on_disk(path) == list(range(1, count + 2))


@pytest.mark.parametrize("slot", [0, 1])
def test_one_lost_slot_is_mended(tmp_path: Path, slot: int) -> None:
    made(tmp_path, reserved("alk-1"), settled(2))
    _, witness = place(tmp_path)
    witness.paths[slot].write_bytes(b"torn")
    assert opens(tmp_path) == 3
    assert mark_from_slot(witness.paths[slot].read_bytes()) is not None
    witness.paths[1 - slot].write_bytes(b"torn")
    assert opens(tmp_path) == 3


def test_two_slots_that_contradict_each_other_arerefused(tmp_path: Path) -> None:
    made(tmp_path, reserved("alk-1"))
    _, witness = place(tmp_path)
    (mark,) = [item for item in witness.newest() if item.seq == 2][:1]
    for slot, hash_ in ((0, mark.hash), (1, bytes(32))):
        witness.paths[slot].write_bytes(slot_from_mark(Mark(mark.ledger_id, 2, hash_)))
    refused(tmp_path, "its row 2 is not the one")


def test_a_witness_that_cannot_be_written_is_noticed_before_a_dose_depends_on_it(tmp_path: Path) -> None:
    class Stuck(Disk):
        def write_at(self, descriptor: int, data: bytes, offset: int) -> int:
            raise OSError(28, "No space left on device")

    made(tmp_path, Stamp())
    path, witness = place(tmp_path)
    with pytest.raises(LedgerRefused, match=r"the disk is full.*No pump runs\. Make room, then start dosingd again\.$"):
        Book.open(path, Witness(witness.directory, Stuck()))
    with pytest.raises(LedgerFailed, match=r"no ledger could be made: the disk is full.*dosingd init --plan PLAN"):
        Book.make(tmp_path / "new" / "ledger.db", Witness(tmp_path / "new", Stuck()), MADE, reading())
    # The ledger is in place by then, and opens once there is room.
    Book.open(tmp_path / "new" / "ledger.db", Witness(tmp_path / "new")).close()
