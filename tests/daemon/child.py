"""The real daemon as a child process on bench pins, and what its files say. The rig and its figures are invented."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from dosingd.clock import SystemClock
from dosingd.daemon.early import first_steps
from dosingd.daemon.parts import parts_for
from dosingd.daemon.wiring import Parts

ROOT = Path(__file__).parents[2]
#: How long anything here may take before the test is red, in seconds.
PATIENCE_S = 30.0
CLOCK = SystemClock()

_PLAN = """\
rig: {rig}
timezone: UTC
tank: {{water: 100000 L}}
stocks:
  soda: {{gives: alkalinity, strength: {{alkalinity: 0.5 eq/L}}}}
  chloride: {{gives: calcium, strength: {{calcium: 10 g/L}}}}
channels:
  alk:
    stock: soda
    daily: {daily} mL
    doses: {doses}
    when: [{when}]
    pump: {{gpio: 17, nominal_flow: 30 mL/min, smallest: 0.02 mL}}
    limits: {{dose: 100 mL, day: 45 L, rise: 10 dKH, run: 24 h}}
    reservoir: {{holds: 1000 L}}
    line: 1 mL
  ca:
    stock: chloride
    daily: {daily} mL
    doses: {doses}
    when: [{when}]
    pump: {{gpio: 27, nominal_flow: 30 mL/min, smallest: 0.02 mL}}
    limits: {{dose: 100 mL, day: 45 L, rise: 100 mg/L, run: 24 h}}
    reservoir: {{holds: 1000 L}}
apart:
  - {{between: [alk, ca], gap: 1 s}}
"""


def _window(from_at: datetime, minutes: int) -> str:
    to_at = from_at + timedelta(minutes=minutes)
    return f'{{from: "{from_at:%H:%M}", to: "{to_at:%H:%M}", share: 100 %}}'


#: Two doses a day, six hours from now: nothing happens by itself while a test looks, whatever the time of day. Calcium
#: and alkalinity are balanced.
CALM = _PLAN.format(rig="calm", daily=20, doses=2, when=_window(CLOCK.now().wall_at + timedelta(hours=6), 60))


def brisk_plan() -> str:
    """Two channels that each dose every four seconds from now on for ten minutes, a fifth of a second long, a second
    apart at least, and far below their limits. A day full of such doses would take its time to be checked."""
    return _PLAN.format(rig="brisk", daily=15, doses=150, when=_window(CLOCK.now().wall_at, 11))


def wait_until(true: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> None:
    """Wait until something holds; red when it does not come to hold."""
    by = CLOCK.now().mono_s + patience_s
    pause = threading.Event()
    while not true():
        assert CLOCK.now().mono_s < by, f"not within {patience_s} s: {what}"
        pause.wait(0.005)


class Rig:
    """A bench in a directory, and the daemon that runs it."""

    def __init__(self, directory: Path, plan: str | None = None, *, made: bool = True) -> None:
        self.state, self.plan_file, self.log_file = directory / "state", directory / "plan.yaml", directory / "log"
        self.plan_file.write_text(brisk_plan() if plan is None else plan, encoding="utf-8")
        self.child: subprocess.Popen[bytes] | None = None
        if made:
            done = self.say("init", "--bench")
            assert done.returncode == 0, done.stderr

    def command(self, *arguments: str) -> list[str]:
        return [
            sys.executable, "-m", "dosingd", *arguments, "--state", str(self.state), "--plan", str(self.plan_file),
        ]  # fmt: skip

    def say(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """One command, carried out to its end."""
        return subprocess.run(
            self.command(*arguments), cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S, check=False
        )

    def ask(self, *arguments: str) -> dict[str, Any]:
        """One command's JSON."""
        answer: dict[str, Any] = json.loads(self.say(*arguments, "--json").stdout)
        return answer

    def parts(self) -> Parts:
        """What a daemon of this bench is made of, for one in this process."""
        early = first_steps(self.state, CLOCK, bench=True)
        witness, read_bytes = self.state / "witness", Path.read_bytes
        return parts_for(self.state, self.plan_file, witness, CLOCK, early, bench=True, read_bytes=read_bytes)

    def start(self, *more: str, **environment: str) -> Self:
        """The daemon; returns when it answers."""
        said = self.begun
        with self.log_file.open("ab") as log:
            self.child = subprocess.Popen(
                self.command("run", "--bench", *more), cwd=ROOT, stderr=log, env={**os.environ, **environment}
            )
        wait_until(lambda: self.begun > said or self.ended, "the daemon says that it doses, or is held")
        assert not self.ended, self.log
        return self

    @property
    def begun(self) -> int:
        """How often a daemon has said that it doses, or that it runs and is held."""
        return self.log.count(": it doses. To see") + self.log.count(": it runs, but it ")

    @property
    def ended(self) -> bool:
        return self.child is None or self.child.poll() is not None

    @property
    def pid(self) -> int:
        assert self.child is not None
        return self.child.pid

    def stop(self, number: int = signal.SIGTERM) -> int:
        """End the daemon; returns its exit status."""
        assert self.child is not None
        self.child.send_signal(number)
        return self.child.wait(PATIENCE_S)

    @property
    def log(self) -> str:
        return self.log_file.read_text(encoding="utf-8") if self.log_file.exists() else ""

    @property
    def pulses(self) -> list[dict[str, Any]]:
        file = self.state / "pulses.jsonl"
        return [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []

    @property
    def on(self) -> bool:
        return bool(self.pulses) and bool(self.pulses[-1]["on"])

    def wait_for_pulses(self, more: int) -> None:
        """Until so many more levels have changed."""
        seen = len(self.pulses)
        wait_until(lambda: len(self.pulses) >= seen + more, f"{more} more changes of a level")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if not self.ended:
            assert self.child is not None
            self.child.send_signal(signal.SIGCONT)
            self.child.kill()
            self.child.wait(PATIENCE_S)
