"""A daemon that cannot be spoken to says so, doses on, and is spoken to again as soon as that can be (R13)."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from dosingd.clock import VirtualClock
from dosingd.control import CONTROL_NAME
from dosingd.control.place import DRAFT_NAME
from dosingd.daemon import reachable
from dosingd.daemon.early import LOCK_NAME, take_lock
from dosingd.daemon.holder import holder
from dosingd.daemon.reachable import LOOK_S, Reachable
from tests.builders import START_AT
from tests.daemon.child import CALM, ROOT, Rig, wait_until


class Line:
    """A socket that stands, falls, and can be laid as the test says."""

    def __init__(self) -> None:
        self.up, self.starts, self.cannot = False, 0, ""
        self.waits: threading.Event | None = None

    def start(self) -> None:
        if self.waits is not None:
            assert self.waits.wait(10.0)
        if self.cannot:
            raise OSError(self.cannot)
        self.starts += 1
        self.up = True

    def stands(self) -> bool:
        return self.up

    def stop(self) -> None:
        self.up = False


def of(line: Line) -> tuple[Reachable, VirtualClock, list[tuple[str, str]]]:
    clock, said = VirtualClock(START_AT), []
    return Reachable(line, clock, lambda priority, text: said.append((priority, text))), clock, said


def until(holds: Callable[[], bool]) -> None:
    wait_until(holds, "what the other thread does")


def test_a_lost_socket_is_laid_anew_within_a_minute_and_one_that_stands_is_left_alone() -> None:
    line = Line()
    keeps, clock, said = of(line)
    keeps.lay()
    line.up = False
    clock.pass_s(LOOK_S - 1.0)
    keeps.turn()
    assert (line.starts, line.up) == (1, False)
    clock.pass_s(1.0)
    keeps.turn()
    until(lambda: line.up)
    clock.pass_s(LOOK_S)
    keeps.turn()
    keeps.stop()
    assert line.starts == 2
    assert said == []


def test_a_socket_that_cannot_be_laid_is_said_once_and_tried_each_minute() -> None:
    line = Line()
    keeps, clock, said = of(line)
    line.cannot = "no room"
    for _ in range(3):
        keeps.lay()
    [(priority, text)] = said
    assert priority == "error"
    assert text == "No command reaches the daemon; it doses on and tries again each minute. no room"
    line.cannot = ""
    clock.pass_s(LOOK_S)
    keeps.turn()
    until(lambda: len(said) == 2)
    assert said[1] == ("notice", "The commands reach the daemon again.")


def test_the_control_loop_does_not_wait_for_a_disk_that_keeps_the_socket_waiting() -> None:
    line = Line()
    keeps, clock, _ = of(line)
    line.waits = threading.Event()
    before = threading.active_count()
    for _ in range(3):
        clock.pass_s(LOOK_S)
        keeps.turn()
        until(lambda: keeps._busy.locked())
    assert threading.active_count() == before + 1, "one look at a time"
    line.waits.set()
    until(lambda: line.starts == 1)


def test_none_is_laid_any_more_after_the_end() -> None:
    line = Line()
    keeps, _, _ = of(line)
    keeps.stop()
    keeps.lay()
    assert line.starts == 0


# -- who holds the lock --------------------------------------------------------------------------------------


def test_the_holder_of_the_lock_is_found_and_the_lock_stays_as_it_was(tmp_path: Path) -> None:
    assert holder(tmp_path) is None
    lock = take_lock(tmp_path)
    assert holder(tmp_path) == os.getpid()
    os.close(lock)
    assert holder(tmp_path) is None, "what a daemon left that was killed is held by nobody"
    os.close(take_lock(tmp_path))


def test_a_lock_of_another_file_or_kind_or_one_that_is_waited_for_is_none_of_ours(tmp_path: Path) -> None:
    (tmp_path / LOCK_NAME).write_text("77", encoding="ascii")
    lies = (tmp_path / LOCK_NAME).stat()
    here = f"{os.major(lies.st_dev):02x}:{os.minor(lies.st_dev):02x}:{lies.st_ino}"
    for line, process in (
        (f"1: FLOCK  ADVISORY  WRITE 4711 {here} 0 EOF", 4711),
        (f"1: POSIX  ADVISORY  WRITE 4711 {here} 0 EOF", None),
        (f"1: -> FLOCK  ADVISORY  WRITE 4711 {here} 0 EOF", None),
        (f"1: FLOCK  ADVISORY  WRITE 4711 {here}1 0 EOF", None),
        # A layered file system: the device is another one, so the process must be the one in the file.
        (f"1: FLOCK  ADVISORY  WRITE 4711 7f:7f:{lies.st_ino} 0 EOF", None),
        (f"1: FLOCK  ADVISORY  WRITE 77 7f:7f:{lies.st_ino} 0 EOF", 77),
        ("nonsense", None),
    ):
        locks = tmp_path / "locks"
        locks.write_text(line + "\n", encoding="ascii")
        assert holder(tmp_path, locks) == process, line


# -- the whole daemon ----------------------------------------------------------------------------------------


def test_a_daemon_whose_socket_was_taken_away_is_never_said_not_to_run(tmp_path: Path) -> None:
    with Rig(tmp_path, CALM) as rig:
        rig.start()
        (rig.state / CONTROL_NAME).unlink()
        said = rig.say("hold")
        assert said.returncode == 2
        sentence = (
            f"A daemon runs (process {rig.pid}) and cannot be spoken to. It may be dosing. To stop every pump: kill"
            f" -TERM {rig.pid}"
        )
        assert said.stderr.startswith(sentence)
        assert rig.ask("hold")["error"]["code"] == "silent"
        status = rig.say("status")
        assert status.returncode == 0
        assert sentence in status.stderr
        assert "a daemon runs and cannot be spoken to; it may be" in status.stdout
        assert "nothing is dosed" not in status.stdout + status.stderr
        told = rig.ask("status")
        assert (told["running"], told["rig"], set(told["channels"])) == (True, "calm", {"alk", "ca"})
        history = rig.say("history")
        assert (history.returncode, sentence in history.stderr) == (0, True)
        assert rig.say("refill", "alk", "--to", "1 L").returncode == 2, "nobody books beside a daemon"
        # What is advised works.
        os.kill(rig.pid, signal.SIGTERM)
        assert rig.child is not None
        assert rig.child.wait(30) == 0
        assert rig.ask("hold")["error"]["code"] == "no-daemon"


@pytest.mark.parametrize("kind", ["file", "directory", "draft file", "draft with something in it"])
def test_whatever_stands_in_the_socket_s_way_the_daemon_doses(tmp_path: Path, kind: str) -> None:
    with Rig(tmp_path) as rig:
        match kind:
            case "file":
                (rig.state / CONTROL_NAME).write_text("mine", encoding="utf-8")
            case "directory":
                (rig.state / CONTROL_NAME).mkdir()
            case "draft file":
                (rig.state / DRAFT_NAME).write_text("mine", encoding="utf-8")
            case _:
                (rig.state / DRAFT_NAME / "deep").mkdir(parents=True)
        rig.start()
        rig.wait_for_pulses(2)
        assert rig.log.count("No command reaches the daemon; it doses on and tries again each minute.") == 1
        assert rig.ask("status")["running"] is True
        assert rig.stop() == 0


def test_a_lost_socket_is_laid_anew_by_a_daemon_that_doses(tmp_path: Path) -> None:
    text = (
        "import sys\nfrom dosingd.daemon import reachable\n"
        f"assert reachable.LOOK_S == {reachable.LOOK_S}\n"
        "reachable.Reachable.__init__.__defaults__ = (0.3,)\n"
        "from dosingd.cli.entry import run\nsys.exit(run(sys.argv[1:]))\n"
    )
    with Rig(tmp_path, CALM) as rig:
        command = [sys.executable, "-c", text, *rig.command("run", "--bench")[3:]]
        with rig.log_file.open("ab") as log:
            rig.child = subprocess.Popen(command, cwd=ROOT, stderr=log)
        wait_until(lambda: "it doses." in rig.log, "it doses")
        (rig.state / CONTROL_NAME).unlink()
        wait_until(lambda: (rig.state / CONTROL_NAME).exists(), "the socket is there again")
        assert rig.say("hold").returncode == 0
        assert rig.stop() == 0
        assert not (rig.state / CONTROL_NAME).exists()


def test_a_second_look_at_the_lock_never_takes_it(tmp_path: Path) -> None:
    lock = os.open(tmp_path / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o640)
    holder(tmp_path)
    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(lock)
