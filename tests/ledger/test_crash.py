"""Whatever is cut, wherever: what was acknowledged is there, nothing is there twice, and no pump runs unbooked.

Children are killed with SIGKILL at every named step of making a ledger, reserving, witnessing and settling, and at
every call on the witness's files. A killed process leaves the page cache, a power cut does not: what a power cut can
leave of a write that was not synced is laid by hand, byte by byte.
"""

from __future__ import annotations

import itertools
import shutil
import sqlite3
from pathlib import Path

import pytest

from dosingd.errors import LedgerRefused
from dosingd.ledger import Book, Witness
from dosingd.records import Reserved, Settled
from tests.ledger.failing import RecordingDisk
from tests.ledger.ledgers import MADE, Say, child, copied, die, made, place, reading, reserved, seqs_on_disk, settled


def _dosing(directory: Path, cut_at: int, say: Say) -> None:
    """Three doses from an empty place, killed at the step with this number; says what it was told is durable."""
    steps = itertools.count()

    def at(step: str) -> None:
        if next(steps) == cut_at:
            say(f"cut {step}")
            die()

    path = directory / "ledger.db"
    witness = Witness(directory / "witness", RecordingDisk(at))
    book = Book.make(path, witness, MADE, reading(), at_step=at)
    say("made")
    for dose in range(1, 4):
        row = book.append(reserved(f"alk-{dose}"), reading(10 * dose))
        say(f"reserved {row.seq}")
        say(f"pumped alk-{dose}")
        row = book.append(settled(row.seq), reading(10 * dose + 5))
        say(f"settled {row.seq}")
    book.close()
    say("closed")


def test_a_kill_at_any_step_is_recovered_from(tmp_path: Path) -> None:
    cuts: dict[str, int] = {}
    for cut_at in itertools.count():
        directory = tmp_path / str(cut_at)
        said, status = child(lambda say, d=directory, c=cut_at: _dosing(d, c, say))  # type: ignore[misc]
        if "closed" in said:
            assert status == 0
            break
        assert status == -9, said
        (step,) = [line.removeprefix("cut ") for line in said if line.startswith("cut ")]
        cuts[step] = cuts.get(step, 0) + 1
        _check_recovery(directory, said)
        shutil.rmtree(directory)
    print(f"{sum(cuts.values())} kills: {cuts}")
    for step in ("locked", "written", "placed", "checked", "begun", "inserted", "committed", "witnessed"):
        assert cuts[step] >= (6 if step in ("begun", "inserted", "committed", "witnessed") else 1)
    for slot, verb in itertools.product((0, 1), ("open", "write", "fsync", "close")):
        assert cuts[f"{verb} witness-{slot}"] >= 3


def _check_recovery(directory: Path, said: list[str]) -> None:
    path, witness = place(directory)
    try:
        book = Book.open(path, witness)
    except LedgerRefused:
        # Only a ledger that never came to be; and then init makes it.
        assert "made" not in said
        assert not path.exists()
        book = Book.make(path, witness, MADE, reading())
    rows = list(book.rows())
    acknowledged = {int(line.split()[1]) for line in said if line.startswith(("reserved", "settled"))}
    there = {row.seq for row in rows}
    # Nothing acknowledged is gone, and at most the one row that was being written is there besides.
    assert acknowledged <= there
    assert len(there - acknowledged - {1}) <= 1
    # No pump ran without a reservation, and every run that was not settled is open, to be booked in full.
    slots = [row.event.slot for row in rows if isinstance(row.event, Reserved)]
    assert {line.split()[1] for line in said if line.startswith("pumped")} <= set(slots)
    settlements = {row.event.reservation for row in rows if isinstance(row.event, Settled)}
    reservations = [row.seq for row in rows if isinstance(row.event, Reserved)]
    assert [row.seq for row in book.open_reservations()] == [seq for seq in reservations if seq not in settlements]
    # No slot can be dosed again.
    for slot in slots:
        with pytest.raises(LedgerRefused, match="already"):
            book.append(reserved(slot), reading(500))
    for row in book.open_reservations():
        book.append(settled(row.seq), reading(501))
    book.append(reserved("alk-next"), reading(502))
    book.close()
    Book.open(path, witness).close()


def test_making_that_was_cut_halfway_can_be_done_again(tmp_path: Path) -> None:
    path, witness = place(tmp_path)
    for leftover in ("ledger.db.draft", "ledger.db.draft-journal", "ledger.db.draft-wal"):
        (tmp_path / leftover).write_bytes(b"half")
    book = Book.make(path, witness, MADE, reading())
    assert [row.seq for row in book.rows()] == [1]
    book.close()
    assert not list(tmp_path.glob("*draft*"))


def _killed_after(directory: Path, doses: int, step: str, nth: int) -> None:
    """A state directory as a process leaves it that was killed the nth time it came to this step."""

    def work(say: Say) -> None:
        left = itertools.count(1)

        def at(name: str) -> None:
            if name == step and next(left) == nth:
                die()

        path, witness = place(directory)
        book = Book.open(path, witness, at_step=at)
        for dose in range(doses):
            row = book.append(reserved(f"alk-{dose}"), reading(10 * dose))
            book.append(settled(row.seq), reading(10 * dose + 5))

    _, status = child(work)
    assert status == -9


_DENSITIES = [1, pytest.param(12, marks=pytest.mark.campaign)]


@pytest.mark.parametrize("dense", _DENSITIES)
@pytest.mark.parametrize("lost", ["cut", "zeros"])
def test_a_power_cut_during_the_last_commit_is_no_false_alarm(tmp_path: Path, lost: str, dense: int) -> None:
    state = tmp_path / "state"
    made(state)
    _killed_after(state, 3, "begun", 4)
    synced = (state / "ledger.db-wal").stat().st_size
    shutil.rmtree(state)
    made(state)
    # Committed, and the witness not yet touched: all that this commit wrote may be lost, or any part of it be there.
    _killed_after(state, 3, "committed", 4)
    whole = (state / "ledger.db-wal").read_bytes()
    assert len(whole) > synced
    cuts = 0
    for cut in sorted({*range(synced, len(whole), 733 // dense), synced + 1, synced + 24, len(whole) - 1, len(whole)}):
        torn = copied(state, tmp_path / "torn")
        (torn / "ledger.db-shm").unlink()
        rest = b"" if lost == "cut" else bytes(len(whole) - cut)
        (torn / "ledger.db-wal").write_bytes(whole[:cut] + rest)
        path, witness = place(torn)
        book = Book.open(path, witness)
        assert book.newest.seq in (4, 5)
        assert book.newest.seq == 5 or cut < len(whole)
        book.append(reserved("alk-next"), reading(500))
        book.close()
        shutil.rmtree(torn)
        cuts += 1
    print(f"{cuts} torn commits")
    assert cuts >= 15 * dense


@pytest.mark.parametrize("dense", _DENSITIES)
def test_a_log_that_lost_witnessed_rows_is_refused_and_one_that_lost_none_is_not(tmp_path: Path, dense: int) -> None:
    # A card that lies about syncing: the log shorter than it said it was, at any length.
    state = tmp_path / "state"
    made(state)
    _killed_after(state, 3, "witnessed", 6)
    whole = (state / "ledger.db-wal").read_bytes()
    (mark,) = place(state)[1].newest()
    opened, refused = 0, 0
    for cut in (*range(0, len(whole), 1_499 // dense), len(whole)):
        torn = copied(state, tmp_path / "torn")
        (torn / "ledger.db-shm").unlink()
        (torn / "ledger.db-wal").write_bytes(whole[:cut])
        path, witness = place(torn)
        there = seqs_on_disk(path)
        if there[-1] >= mark.seq:
            Book.open(path, witness).close()
            opened += 1
        else:
            with pytest.raises(LedgerRefused, match="older copy, or rows were lost"):
                Book.open(path, witness)
            refused += 1
        shutil.rmtree(torn)
    print(f"{opened} opened, {refused} refused")
    assert opened >= 1
    assert refused > 30 * dense


def test_every_mixture_of_ledger_and_witness_of_one_life_is_judged_by_which_is_ahead(tmp_path: Path) -> None:
    life = [made(tmp_path / str(count), *(reserved(f"alk-{dose}") for dose in range(count))) for count in range(7)]
    judged = 0
    for ledger, seen in itertools.product(range(7), range(7)):
        state = tmp_path / f"{ledger}-{seen}"
        shutil.copytree(life[seen].parent / "witness", state / "witness")
        shutil.copy(life[ledger], state / "ledger.db")
        if ledger >= seen:
            Book.open(*place(state)).close()
        else:
            with pytest.raises(LedgerRefused, match="older copy"):
                Book.open(*place(state))
        judged += 1
    assert judged == 49


def test_a_power_cut_at_any_byte_of_the_witness_is_no_false_alarm(tmp_path: Path) -> None:
    cuts = 0
    for rows in (1, 2, 3):
        state = tmp_path / str(rows)
        made(state, *(reserved(f"alk-{dose}") for dose in range(rows - 1)))
        path, witness = place(state)
        book = Book.open(path, witness)
        after_opening = [slot.read_bytes() if slot.exists() else b"" for slot in witness.paths]
        book.append(reserved("alk-last"), reading(100))
        book.close()
        (written,) = [slot for slot, old in zip(witness.paths, after_opening, strict=True) if slot.read_bytes() != old]
        old = after_opening[witness.paths.index(written)]
        whole = written.read_bytes()
        for cut in range(len(whole.rstrip()) + 2):
            written.write_bytes(whole[:cut] + old[cut:])
            assert Witness(witness.directory).newest()[0].seq >= rows
            if cut % 29 == 0:
                Book.open(path, Witness(witness.directory)).close()
                for slot, content in zip(witness.paths, after_opening, strict=True):
                    slot.write_bytes(content)
            cuts += 1
    print(f"{cuts} torn slots")
    assert cuts > 500


def test_what_the_ledger_says_is_read_by_sqlite_alone_too(tmp_path: Path) -> None:
    path = made(tmp_path, reserved("alk-1"), settled(2))
    connection = sqlite3.connect(path)
    total = connection.execute("SELECT sum(json_extract(body, '$.given_ul')) FROM rows WHERE kind = 'settled'")
    assert total.fetchone() == (2_900,)
    connection.close()
