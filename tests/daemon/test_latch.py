"""A turn thread that hangs past its lease: what holds the rig after the watchdog ended the daemon. R5, R11."""

from __future__ import annotations

import os
import shutil
import threading
from pathlib import Path

import pytest

from dosingd.alarms import Kind
from dosingd.daemon import latch as latch_room
from dosingd.daemon.latch import LATCH_NAME, MOST_BYTES, UNREADABLE, Latch
from dosingd.daemon.wiring import Daemon
from dosingd.leases import LEASE_GRACE_S, MAY_HAVE_RUN, Lease
from tests.daemon.child import CALM, CLOCK, Rig, brisk_plan, wait_until

WHY = "alk: its run was not over 0.5 s after the end of its lease. It was forced off."


class Marks:
    """A latch in a directory, and what it said."""

    def __init__(self, state: Path) -> None:
        self.said: list[tuple[str, str]] = []
        self.path = state / LATCH_NAME
        self.latch = Latch(state, lambda priority, text: self.said.append((priority, text)))

    def make(self, why: str = WHY) -> None:
        """Made, and on the disk."""
        self.latch.make(why)
        wait_until(lambda: self.path.exists() and self.path.read_text() == why, "the mark is on the disk")


# -- the mark ------------------------------------------------------------------------------------------------


def test_it_lies_there_until_the_hold_is_booked(tmp_path: Path) -> None:
    of = Marks(tmp_path)
    assert of.latch.found() is None
    of.make()
    assert Latch(tmp_path, lambda *_: None).found() == WHY, "what a start finds after a kill"
    of.latch.booked()
    assert not of.path.exists()
    assert of.said == []


def test_a_second_cause_keeps_it_until_both_are_booked(tmp_path: Path) -> None:
    of = Marks(tmp_path)
    of.make()
    of.latch.make("ca: another")
    of.latch.booked()
    assert of.path.read_text() == WHY
    of.latch.booked()
    assert not of.path.exists()
    of.make("ca: a third")


@pytest.mark.parametrize(
    "left",
    [
        b"",
        b"\xff\xfe",
        b" \n",
        b"\0" * 20,
        b"a\0b",
        b"\x1b[2Jall is well",
        b"x" * (MOST_BYTES + 1),
        bytes(range(256)) * 8,
    ],
)
def test_a_damaged_mark_holds_as_well_and_is_shown_to_nobody(tmp_path: Path, left: bytes) -> None:
    (tmp_path / LATCH_NAME).write_bytes(left)
    assert Marks(tmp_path).latch.found() == UNREADABLE
    assert any(words in UNREADABLE for words in MAY_HAVE_RUN), "it raises the alarm of a pump that ran on"


def test_whatever_lies_there_is_the_mark(tmp_path: Path) -> None:
    """A link that leads nowhere, one that leads to something, and a pipe, which must not keep the start waiting."""
    path = tmp_path / LATCH_NAME
    (tmp_path / "else").write_text("another file")
    for leads_to in ("nowhere", "else", None):
        if leads_to is None:
            os.mkfifo(path)
        else:
            path.symlink_to(tmp_path / leads_to)
        of = Marks(tmp_path)
        assert of.latch.found() == UNREADABLE
        of.latch.booked()
        assert not path.is_symlink()
        assert not path.exists()
    assert (tmp_path / "else").exists()


def test_a_cause_that_is_too_long_is_cut_and_stays_text(tmp_path: Path) -> None:
    of = Marks(tmp_path)
    of.latch.make("µ" * MOST_BYTES)
    wait_until(lambda: of.path.exists() and of.path.stat().st_size > 0, "the mark is on the disk")
    assert of.latch.found() == "µ" * (MOST_BYTES // 2)


def test_one_that_cannot_be_read_holds_as_well(tmp_path: Path) -> None:
    (tmp_path / LATCH_NAME).mkdir()
    of = Marks(tmp_path)
    assert of.latch.found() == UNREADABLE
    of.latch.booked()
    [(priority, text)] = of.said
    assert priority == "warning"
    assert "so the next start holds the rig" in text


def test_a_disk_that_fails_is_tried_again_and_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried = threading.Semaphore(0)
    put = latch_room._put

    def fail(path: Path, why: str) -> None:
        tried.release()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(latch_room, "RETRY_S", 0.01)
    monkeypatch.setattr(latch_room, "_put", fail)
    of = Marks(tmp_path)
    of.latch.make(WHY)
    for _ in range(3):
        assert tried.acquire(timeout=10.0)
    monkeypatch.setattr(latch_room, "_put", put)
    wait_until(of.path.exists, "the mark is on the disk")
    assert [priority for priority, _ in of.said] == ["error"]


def test_a_hold_that_was_booked_first_leaves_no_mark_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    of = Marks(tmp_path)
    threads: list[threading.Thread] = []
    monkeypatch.setattr(threading.Thread, "start", lambda thread: threads.append(thread))
    of.latch.make(WHY)
    of.latch.booked()
    monkeypatch.undo()
    [thread] = threads
    thread.run()  # the machine was busy with other things
    assert not of.path.exists()


def test_the_control_loop_waits_for_no_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    disk = threading.Event()
    monkeypatch.setattr(latch_room, "_put", lambda *_: disk.wait(20.0))
    of = Marks(tmp_path)
    before_s = CLOCK.now().mono_s
    of.latch.make(WHY)
    assert CLOCK.now().mono_s - before_s < 5.0
    disk.set()


# -- the daemon ----------------------------------------------------------------------------------------------


def _daemon(of: Rig) -> Daemon:
    return Daemon(of.parts())


def _copied(of: Rig, to: Path) -> Rig:
    """The state directory as a kill at this moment leaves it."""
    to.mkdir()
    shutil.copytree(of.state, to / "state", ignore=shutil.ignore_patterns("*.sock", "control*"))
    return Rig(to, of.plan_file.read_text(), made=False)


def test_a_turn_thread_that_hangs_past_its_lease_holds_the_rig_after_the_kill(tmp_path: Path) -> None:
    first = tmp_path / "first"
    first.mkdir()
    of = Rig(first, CALM)
    daemon = _daemon(of)
    daemon._ready.set()
    daemon._duty.thread.start()
    assert daemon._duty.begun.wait(20.0)
    hangs, free = threading.Event(), threading.Event()

    def hang() -> None:
        hangs.set()
        assert free.wait(60.0)

    daemon._duty.post(hang)
    assert hangs.wait(20.0)
    try:
        turn = daemon._rounds.turn
        now_s = CLOCK.now().mono_s
        turn.leases = turn.leases.granted(Lease("alk", now_s - 3.0, now_s - LEASE_GRACE_S - 0.1))
        daemon._loop.turn()
        wait_until(lambda: (of.state / LATCH_NAME).exists(), "the mark is on the disk")
        with _copied(of, tmp_path / "killed") as killed:
            assert killed.ask("status")["held"] is False, "nothing of it is in the ledger"
            killed.start()
            wait_until(lambda: killed.ask("status")["held"] is True, "it is held")
            told = killed.ask("status")
            assert told["held_reason"].startswith("alk: its run was not over")
            assert Kind.PUMP_OUTLIVED in [alarm["kind"] for alarm in told["alarms"]]
            wait_until(lambda: not (killed.state / LATCH_NAME).exists(), "the mark is gone, for the row is there")
            killed.stop()
            killed.start()
            assert killed.ask("status")["held"] is True, "by the ledger now"
            assert killed.say("release").returncode == 0
            killed.stop()
            killed.start()
            assert killed.ask("status")["held"] is False, "a person's word is the last"
    finally:
        turn.leases = turn.leases.ended("alk")
        free.set()
        daemon._go_down()
    assert not (of.state / LATCH_NAME).exists(), "a turn thread that came back has booked it"
    assert of.ask("status")["held"] is True


def test_a_mark_is_booked_before_the_first_dose(tmp_path: Path) -> None:
    with Rig(tmp_path, brisk_plan()) as rig:
        (rig.state / LATCH_NAME).touch()
        rig.start()
        assert ": it runs, but it is held: A run was not over" in rig.log
        wait_until(lambda: not (rig.state / LATCH_NAME).exists(), "it is booked")
        wait_until(lambda: any(one["outcome"] == "missed" for one in rig.ask("history")["entries"]), "a dose fell due")
        assert rig.pulses == []


def test_a_mark_stays_where_the_hold_cannot_be_booked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    of = Rig(tmp_path, CALM)
    (of.state / LATCH_NAME).write_text(WHY)
    daemon = _daemon(of)

    def fail(step: str) -> None:
        if step == "begun":
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(daemon._book, "_at_step", fail)
    daemon._start()
    daemon._ready.set()
    try:
        assert daemon._duty.begun.wait(20.0)
        wait_until(lambda: daemon._duty.ledger_fault is not None, "the ledger has failed")
        done = threading.Event()
        daemon._duty.post(done.set)
        assert done.wait(20.0)
        assert daemon._cut.event.is_set()
    finally:
        daemon._go_down()
    assert (of.state / LATCH_NAME).read_text() == WHY
