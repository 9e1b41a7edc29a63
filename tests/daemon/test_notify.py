"""What systemd is told: sd_notify(3), sd_watchdog_enabled(3), over real datagram sockets."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dosingd.daemon.notify import Notify


@contextmanager
def manager(name: str) -> Iterator[socket.socket]:
    """A service manager that listens."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listens:
        listens.bind("\0" + name[1:] if name.startswith("@") else name)
        listens.settimeout(20.0)
        yield listens


@pytest.mark.parametrize("abstract", [False, True])
def test_each_message_is_one_datagram(tmp_path: Path, abstract: bool) -> None:
    name = f"@dosingd-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with manager(name) as listens:
        notify = Notify({"NOTIFY_SOCKET": name})
        notify.ready()
        notify.status("3.0 mL given today, next at 13:20")
        notify.alive()
        notify.stopping()
        got = [listens.recv(4096) for _ in range(4)]
        notify.close()
    assert got == [b"READY=1", b"STATUS=3.0 mL given today, next at 13:20", b"WATCHDOG=1", b"STOPPING=1"]


def test_a_status_is_one_line(tmp_path: Path) -> None:
    """A line end would begin another assignment."""
    name = str(tmp_path / "notify")
    with manager(name) as listens:
        notify = Notify({"NOTIFY_SOCKET": name})
        notify.status("held: a\nWATCHDOG=1\nleak")
        assert listens.recv(4096) == b"STATUS=held: a WATCHDOG=1 leak"
        notify.close()


def test_without_a_manager_nothing_is_sent_and_nothing_fails() -> None:
    notify = Notify({})
    notify.ready()
    notify.status("well")
    notify.alive()
    notify.stopping()
    notify.close()
    assert notify.feed_every_s is None


def test_a_manager_that_went_away_harms_nobody(tmp_path: Path) -> None:
    notify = Notify({"NOTIFY_SOCKET": str(tmp_path / "gone")})
    notify.ready()
    notify.alive()
    notify.close()
    notify.alive()


def test_a_manager_that_does_not_read_is_not_waited_for(tmp_path: Path) -> None:
    name = str(tmp_path / "notify")
    with manager(name) as listens:
        notify = Notify({"NOTIFY_SOCKET": name})
        done = threading.Event()

        def feed() -> None:
            for _ in range(5000):
                notify.alive()
            done.set()

        threading.Thread(target=feed, daemon=True).start()
        assert done.wait(20.0), "a datagram waited for its reader"
        assert listens.recv(4096) == b"WATCHDOG=1"
        notify.close()


def test_the_watchdog_is_fed_three_times_in_its_patience() -> None:
    mine = str(os.getpid())
    assert Notify({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": mine}).feed_every_s == 10.0
    assert Notify({"WATCHDOG_USEC": "3000000"}).feed_every_s == 1.0


@pytest.mark.parametrize(
    "environment",
    [
        {"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"},
        {"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": ""},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "-3"},
        {"WATCHDOG_USEC": "soon"},
        {"WATCHDOG_USEC": ""},
        {"WATCHDOG_PID": str(os.getpid())},
    ],
)
def test_another_s_watchdog_and_none_at_all_are_not_fed(environment: dict[str, str]) -> None:
    assert Notify(environment).feed_every_s is None
