"""One rig: a real daemon as a child on pretend pins, and everything that is done to it from outside.

It is watched only as others see it: the file of pulses growing, and what it tells a service manager (sd_notify(3)).
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import IO

from dosingd.clock import SystemClock
from tests.kills.oracle import Outage

ROOT = Path(__file__).parents[2]
LOOK_AGAIN_S = 0.003
#: How long a start may take on a machine that is busy, and how long an orderly stop.
START_S, STOP_S = 60.0, 30.0


class StartRefused(AssertionError):
    """A daemon ended before it was ready, and nobody had killed it."""


class Rig:
    """A state directory and the daemon that is running on it, if one is."""

    def __init__(self, place: Path, plan_text: str) -> None:
        self.place, self.state, self.plan = place, place / "state", place / "plan.yaml"
        place.mkdir(parents=True)
        self.plan.write_text(plan_text, encoding="utf-8")
        self.clock = SystemClock()
        self.child: subprocess.Popen[bytes] | None = None
        self.outages: list[Outage] = []
        self.stops_s: list[float] = []
        self.is_ready = self.held = False
        self.on: dict[str, float] = {}  #: lines that are high, since when
        self.changes = 0
        self._down_since_s: float | None = None
        self._read = 0
        self._log: IO[bytes] = (place / "log").open("ab")
        self._manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._manager.bind(str(place / "n"))
        self._manager.setblocking(False)
        self._command("init", "--bench")

    def close(self) -> None:
        """End the child, whatever state it is in."""
        if self.child is not None and self.child.poll() is None:
            self.child.kill()
            self.child.wait()
        self._manager.close()
        self._log.close()

    # -- looking on ------------------------------------------------------------------------------------------

    def now_s(self) -> float:
        """CLOCK_BOOTTIME in seconds."""
        return self.clock.now().mono_s

    def pass_s(self, seconds: float) -> None:
        """Let so much real time pass."""
        self.clock.wait_until_mono_s(self.now_s() + seconds)

    def until(self, come: Callable[[], bool], seconds: float) -> bool:
        """Look on until something has come, for so long at most."""
        ends_s = self.now_s() + seconds
        while True:
            self.look()
            if come():
                return True
            if self.now_s() >= ends_s:
                return False
            self.pass_s(LOOK_AGAIN_S)

    def look(self) -> None:
        """Take in what the daemon has told and what its pins did since the last look."""
        while True:
            try:
                told = self._manager.recv(65536).decode()
            except BlockingIOError:
                break
            self.is_ready = self.is_ready or told == "READY=1"
            if told.startswith("STATUS="):
                self.held = told.startswith("STATUS=held")
        pulses = self.state / "pulses.jsonl"
        if not pulses.exists() or pulses.stat().st_size <= self._read:
            return
        with pulses.open("rb") as file:
            file.seek(self._read)
            lines = file.read().splitlines(keepends=True)
        for line in lines:
            if not line.endswith(b"\n"):
                break
            self._read += len(line)
            said = json.loads(line)
            self.changes += 1
            if said["on"]:
                self.on[said["channel"]] = said["boot_mono_s"]
            else:
                self.on.pop(said["channel"], None)

    def log(self) -> str:
        """The newest of what every daemon of this rig said."""
        return (self.place / "log").read_text(encoding="utf-8", errors="replace")[-3000:]

    # -- what a person does ----------------------------------------------------------------------------------

    def start(self) -> None:
        """Start a daemon and come back at once."""
        self.look()
        self.is_ready = self.held = False
        self.child = subprocess.Popen(
            self._words("run", "--bench"),
            cwd=ROOT,
            env=os.environ | {"NOTIFY_SOCKET": str(self.place / "n")},
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=self._log,
        )

    def wait_ready(self) -> None:
        """Until the daemon says that it doses. Raises StartRefused when it ends instead."""
        child = self._running()
        came = self.until(lambda: self.is_ready or child.poll() is not None, START_S)
        if not came or not self.is_ready:
            raise StartRefused(f"{self.place}: no READY, exit status {child.poll()}:\n{self.log()}")
        if self._down_since_s is not None:
            self.outages.append(Outage(self._down_since_s, self.now_s()))
            self._down_since_s = None

    def release(self) -> None:
        """A person releases the rig."""
        self._command("release")
        self.until(lambda: not self.held, 5.0)

    # -- what befalls it -------------------------------------------------------------------------------------

    def kill(self) -> None:
        """SIGKILL, and wait until it is gone."""
        child = self._running()
        self._down()
        child.kill()
        child.wait()
        self.look()

    def stop(self) -> None:
        """SIGSTOP, and wait until it stands still."""
        child = self._running()
        self._down()
        child.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, child.pid, os.WSTOPPED | os.WEXITED | os.WNOWAIT)
        self.look()

    def go_on(self) -> None:
        """SIGCONT."""
        self._running().send_signal(signal.SIGCONT)
        assert self._down_since_s is not None
        self.outages.append(Outage(self._down_since_s, self.now_s()))
        self._down_since_s = None

    def terminate(self) -> int:
        """SIGTERM, and wait until it has ended. Returns the exit status."""
        child, was_ready = self._running(), self.is_ready
        at_s = self.now_s()
        if was_ready:
            self.stops_s.append(at_s)
        child.terminate()
        try:
            status = child.wait(STOP_S)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"{self.place}: still running {STOP_S:.0f} s after SIGTERM:\n{self.log()}") from None
        self.look()
        if status != 0 and self._down_since_s is None:
            self._down_since_s = at_s
        return status

    def _down(self) -> None:
        if self._down_since_s is None:
            self._down_since_s = self.now_s()

    def _running(self) -> subprocess.Popen[bytes]:
        assert self.child is not None
        return self.child

    def _words(self, verb: str, *options: str) -> list[str]:
        return [sys.executable, "-m", "dosingd", verb, *options, "--plan", str(self.plan), "--state", str(self.state)]

    def _command(self, verb: str, *options: str) -> None:
        said = subprocess.run(self._words(verb, *options), cwd=ROOT, capture_output=True, timeout=60, check=False)
        if said.returncode != 0:
            raise AssertionError(f"{self.place}: {verb}: {said.stdout.decode()}{said.stderr.decode()}\n{self.log()}")
