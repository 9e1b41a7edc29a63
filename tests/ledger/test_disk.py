"""Disks that are full, read-only or failing: an error is told, nothing unbooked, and the ledger opens afterwards."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from dosingd.errors import LedgerFailed, LedgerRefused
from dosingd.ledger import Book, Witness
from dosingd.ledger.database import schema_text
from dosingd.records import Reserved
from tests.ledger.failing import FailingDisk
from tests.ledger.ledgers import MADE, Say, child, made, place, reading, reserved, seqs_on_disk, settled


def _dose_until_it_fails(book: Book, say: Say, most: int = 400) -> None:
    for dose in range(most):
        try:
            row = book.append(reserved(f"alk-{dose}"), reading(10 * dose))
            say(f"pumped alk-{dose}")
            book.append(settled(row.seq), reading(10 * dose + 5))
        except LedgerFailed as error:
            say(f"failed {error}")
            try:
                book.append(reserved("alk-more"), reading(9_000))
            except LedgerFailed:
                say("closed")
            return


def _check_afterwards(directory: Path, said: list[str]) -> None:
    """With room again it opens, and every pumped slot is booked."""
    book = Book.open(*place(directory))
    slots = {row.event.slot for row in book.rows() if isinstance(row.event, Reserved)}
    assert {line.split()[1] for line in said if line.startswith("pumped")} <= slots
    book.append(reserved("alk-afterwards"), reading(10_000))
    book.close()


def test_a_file_that_may_not_grow_at_any_size_loses_no_booked_dose(tmp_path: Path) -> None:
    # The limit of the size of a file cuts writes at any byte, for any user: setrlimit(2).
    outcomes = {"refused": 0, "failed": 0}
    for size in (20_480, 30_000, *range(32_768, 75_000, 997)):
        state = tmp_path / str(size)
        made(state)

        def work(say: Say, state: Path = state, size: int = size) -> None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
            try:
                book = Book.open(*place(state))
            except LedgerRefused as refusal:
                say(f"refused {refusal}")
                return
            _dose_until_it_fails(book, say)
            os._exit(0)  # as a crash would: closing might tidy

        said, status = child(work)
        assert status == 0, said
        last = [line.split()[0] for line in said][-2:]
        assert last == ["failed", "closed"] or last[-1] == "refused", said[-2:]
        outcomes["refused" if last[-1] == "refused" else "failed"] += 1
        _check_afterwards(state, said)
    print(outcomes)
    assert outcomes["failed"] > 30
    assert outcomes["refused"] >= 2


def test_making_a_ledger_where_files_may_not_grow_says_so_and_can_be_done_again(tmp_path: Path) -> None:
    failures = 0
    for size in (*range(0, 4_300, 700), *range(4_300, 33_000, 1_900)):
        state = tmp_path / str(size)

        def work(say: Say, state: Path = state, size: int = size) -> None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
            try:
                Book.make(*place(state), MADE, reading()).close()
            except LedgerFailed as error:
                say(f"failed {error}")

        said, status = child(work)
        assert status == 0, said
        failures += len(said)
        assert all("no ledger could be made" in line and line.endswith("dosingd init --plan PLAN") for line in said)
        path, witness = place(state)
        (Book.open(path, witness) if path.exists() else Book.make(path, witness, MADE, reading())).close()
        Book.open(path, witness).close()
    print(f"{failures} failures")
    assert failures > 10


@pytest.mark.parametrize("lasting", [False, True], ids=["once", "for good"])
def test_a_failing_call_on_the_witness_stops_the_dose_before_the_pump(tmp_path: Path, lasting: bool) -> None:
    points = 0
    for fails in range(200):
        state = tmp_path / str(fails)
        made(state)
        path, _ = place(state)
        disk = FailingDisk(fails, lasting)
        said: list[str] = []
        try:
            book = Book.open(path, Witness(state / "witness", disk))
        except LedgerRefused as refusal:
            said.append(str(refusal))
        else:
            _dose_until_it_fails(book, said.append, most=3)
            book.close()
            assert disk.failed == (said[-1] == "closed")
            if not disk.failed:
                break
            # The row whose witness failed is in the ledger: it will count in full.
            failed = next(line for line in said if line.startswith("failed"))
            if "could not be booked" in failed:
                assert len(seqs_on_disk(path)) == 2 * sum(line.startswith("pumped") for line in said) + 2
        _check_afterwards(state, said)
        points += 1
    print(f"{points} failing calls")
    assert points > 25


def _as_nobody(directory: Path) -> None:
    # Root may write everywhere; whoever runs the tests as root becomes one who may not.
    if os.geteuid() == 0:
        for item in (directory, *directory.rglob("*")):
            os.chown(item, 65534, 65534)
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)


@pytest.fixture
def reachable() -> Iterator[Path]:
    """A directory that another user can reach."""
    directory = Path(tempfile.mkdtemp(prefix="dosingd-"))
    directory.chmod(0o755)
    yield directory
    for item in (directory, *directory.rglob("*")):
        item.chmod(0o755)
    shutil.rmtree(directory)


@pytest.mark.parametrize("what", ["ledger", "witness", "all"])
def test_a_ledger_or_witness_that_may_only_be_read_is_refused(
    reachable: Path, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made(reachable, reserved("alk-1"))
    path, witness = place(reachable)
    text = schema_text()  # another user may not be able to read the package
    monkeypatch.setattr("dosingd.ledger.database.schema_text", lambda: text)

    def work(say: Say) -> None:
        _as_nobody(reachable)
        if what in ("ledger", "all"):
            path.chmod(0o444)
        if what == "all":
            reachable.chmod(0o555)
        for slot in witness.paths if what in ("witness", "all") else ():
            slot.chmod(0o444)
        try:
            Book.open(path, witness)
        except LedgerRefused as refusal:
            say(str(refusal))

    (words,), status = child(work)
    assert status == 0
    assert "it can only be read" in words or "this user may not use it" in words
    assert words.endswith("dosingd init --plan PLAN")


def _may_mount() -> bool:
    if shutil.which("mount") is None or os.geteuid() != 0:
        return False
    with tempfile.TemporaryDirectory() as place_:
        if subprocess.run(["mount", "-t", "tmpfs", "none", place_], capture_output=True).returncode:
            return False
        return subprocess.run(["umount", place_]).returncode == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 256 KiB of its own."""
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "none", str(disk)], check=True)
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


if _may_mount():  # where it may not, the limits of file sizes above stand in for a full disk

    def test_a_disk_that_fills_up_loses_no_booked_dose(small_disk: Path) -> None:
        made(small_disk)
        book = Book.open(*place(small_disk))
        said: list[str] = []
        _dose_until_it_fails(book, said.append)
        assert "the disk is full" in said[-2]
        assert said[-1] == "closed"
        book.close()
        ballast = small_disk / "ballast"
        with suppress(OSError), ballast.open("wb", buffering=0) as file:
            while file.write(bytes(512)):
                pass
        with pytest.raises(LedgerRefused, match=r"the disk is full.*No pump runs"):
            Book.open(*place(small_disk))
        ballast.unlink(missing_ok=True)
        subprocess.run(["mount", "-o", "remount,size=1m", str(small_disk)], check=True)
        _check_afterwards(small_disk, said)

    def test_a_disk_that_turns_read_only_is_refused(small_disk: Path) -> None:
        made(small_disk, reserved("alk-1"))
        subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
        with pytest.raises(LedgerRefused, match=r"the disk can only be read.*No pump runs"):
            Book.open(*place(small_disk))
