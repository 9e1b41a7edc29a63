"""What the daemon needs: memory, start, idle processor time, exactness of its runs, and how soon a pin is low.

Asked for by name: pytest -m benchmark -s. Each figure is printed beside its floor, measured in the same run: the
libraries alone, imported and started by a process that does nothing else. The pins are a bench's, so gpiozero is in
the floor and not in the daemon; the broker's library is in both.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import statistics
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from dosingd.clock import SystemClock

ROOT = Path(__file__).parents[2]
CLOCK = SystemClock()

FLOOR = """
import os, socket, sqlite3, sys
os.environ["GPIOZERO_PIN_FACTORY"] = "mock"
import gpiozero, pint, yaml
import paho.mqtt.client as mqtt
from apscheduler.schedulers.background import BackgroundScheduler
from datetime import timezone
led = gpiozero.DigitalOutputDevice(17)
scheduler = BackgroundScheduler(timezone=timezone.utc)
scheduler.start()
pint.UnitRegistry().Quantity("1 mL").to("L")
yaml.safe_load("a: 1")
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
base = sqlite3.connect(sys.argv[1])
base.execute("CREATE TABLE t (a)")
notify = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
notify.sendto(b"READY=1", os.environ["NOTIFY_SOCKET"])
sys.stdin.read()
"""
PINS_FLOOR = "import gpiozero, os; os.write(1, b'x')"

#: Invented. `doses` and `daily` are of a tank; FAST doses every six seconds, for a second each.
SLOW = """
rig: bench
timezone: UTC
tank: {water: 280 L}
stocks:
  soda: {gives: alkalinity, strength: {alkalinity: 1.8 eq/L}}
channels:
  alk:
    stock: soda
    daily: 0.5 dKH
    doses: 24
    pump: {gpio: 17, nominal_flow: 15 mL/min}
    limits: {dose: 4 mL, day: 115 mL, rise: 3 dKH}
    reservoir: {holds: 2 L}
mqtt: {host: 127.0.0.1, port: 1}
"""
FAST = """
rig: bench
timezone: UTC
tank: {water: 100000 L}
stocks:
  soda: {gives: alkalinity, strength: {alkalinity: 0.1 eq/L}}
channels:
  alk:
    stock: soda
    daily: 7.2 L
    doses: 14400
    pump: {gpio: 17, nominal_flow: 30 mL/min}
    limits: {dose: 100 mL, day: 90 L, rise: 20 dKH, run: 24 h}
    reservoir: {holds: 1000 L}
"""


class Listener:
    """A service manager's end of the notification socket."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.socket.settimeout(30)

    def wait_for(self, word: str) -> float:
        """BOOTTIME when the word came."""
        while word not in self.socket.recv(4096).decode():
            pass
        return CLOCK.now().mono_s


@contextmanager
def running(command: list[str], tmp_path: Path) -> Iterator[tuple[subprocess.Popen[bytes], float]]:
    """A child, and how long it took from exec to READY."""
    listener = Listener(tmp_path / f"notify-{CLOCK.now().mono_s}")
    started = CLOCK.now().mono_s
    child = subprocess.Popen(
        command,
        cwd=ROOT,
        env={**os.environ, "NOTIFY_SOCKET": str(listener.path)},
        stdin=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield child, listener.wait_for("READY=1") - started
    finally:
        child.kill()
        child.wait()
        assert child.stdin is not None
        child.stdin.close()
        listener.socket.close()


def rig(tmp_path: Path, plan: str) -> tuple[list[str], Path]:
    """A bench with a ledger; the command that runs it, and its state directory."""
    state = tmp_path / "state"
    file = tmp_path / "plan.yaml"
    file.write_text(plan)
    run = [sys.executable, "-m", "dosingd"]
    where = ["--plan", str(file), "--bench", "--state", str(state)]
    subprocess.run([*run, "init", *where], cwd=ROOT, check=True, capture_output=True)
    return [*run, "run", *where], state


def resident_kib(pid: int) -> int:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmRSS:")).split()[1])


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def pulses(state: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (state / "pulses.jsonl").read_text().splitlines()]


def wait(seconds: float) -> None:
    CLOCK.wait_until_mono_s(CLOCK.now().mono_s + seconds)


@pytest.mark.benchmark
def test_start_memory_and_idle_processor_time(tmp_path: Path) -> None:
    command, _ = rig(tmp_path, SLOW)
    ready, floors = [], []
    for number in range(5):
        with running([sys.executable, "-c", FLOOR, str(tmp_path / f"floor{number}")], tmp_path) as (child, seconds):
            floors.append(seconds)
            floor_kib = resident_kib(child.pid)
        with running(command, tmp_path) as (child, seconds):
            ready.append(seconds)
            kib = resident_kib(child.pid)
    with running(command, tmp_path) as (child, _):
        wait(5.0)
        before, from_s = processor_s(child.pid), CLOCK.now().mono_s
        wait(60.0)
        idle = (processor_s(child.pid) - before) / (CLOCK.now().mono_s - from_s)
        later_kib = resident_kib(child.pid)
    print(f"\nexec to READY: {min(ready) * 1000:.0f} ms, floor {min(floors) * 1000:.0f} ms, "
          f"ratio {min(ready) / min(floors):.2f}")  # fmt: skip
    print(f"resident: {kib / 1024:.1f} MiB, after a minute {later_kib / 1024:.1f}, floor {floor_kib / 1024:.1f} MiB, "
          f"ratio {later_kib / floor_kib:.2f}")  # fmt: skip
    print(f"idle: {idle * 100:.3f} % of a core over 60 s")
    assert min(ready) < 3 * min(floors)
    assert later_kib < 1.5 * floor_kib
    assert idle < 0.02


@pytest.mark.benchmark
def test_exec_to_pins_off(tmp_path: Path) -> None:
    command, state = rig(tmp_path, SLOW)
    taken, floors = [], []
    for _ in range(5):
        with (state / "pulses.jsonl").open("a") as file:
            file.write(f'{{"channel": "alk", "on": true, "boot_mono_s": {CLOCK.now().mono_s:.6f}}}\n')
        started = CLOCK.now().mono_s
        with running(command, tmp_path):
            pass
        off = pulses(state)[-1]
        assert off["on"] is False
        taken.append(float(str(off["boot_mono_s"])) - started)
        started = CLOCK.now().mono_s
        subprocess.run([sys.executable, "-c", PINS_FLOOR], check=True, capture_output=True)
        floors.append(CLOCK.now().mono_s - started)
    print(f"\nexec to pins off: {min(taken) * 1000:.0f} ms; importing gpiozero: {min(floors) * 1000:.0f} ms")
    assert min(taken) < 3 * min(floors)


@pytest.mark.benchmark
def test_runs_are_as_long_as_asked_under_load_and_sigterm_ends_one(tmp_path: Path) -> None:
    command, state = rig(tmp_path, FAST)
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(2)]
    ended_ms = []
    try:
        with running(command, tmp_path) as (child, _):
            wait(120.0)
        lines = pulses(state)
        runs = [
            float(str(off["boot_mono_s"])) - float(str(on["boot_mono_s"]))
            for on, off in pairwise(lines)
            if on["on"] and not off["on"]
        ]
        for _ in range(5):
            with running(command, tmp_path) as (child, _):
                seen = len(pulses(state))
                while len(pulses(state)) == seen or not pulses(state)[-1]["on"]:
                    wait(0.01)
                wait(0.1)
                asked_s = CLOCK.now().mono_s
                child.send_signal(signal.SIGTERM)
                child.wait(20)
            ended_ms.append((float(str(pulses(state)[-1]["boot_mono_s"])) - asked_s) * 1000)
    finally:
        for one in busy:
            one.kill()
            one.wait()
    errors_ms = sorted((run - 1.0) * 1000 for run in runs)
    p99 = errors_ms[min(len(errors_ms) - 1, int(len(errors_ms) * 0.99))]
    print(f"\n{len(runs)} runs of 1 s beside two busy processes on {os.cpu_count()} cores:")
    print(f"longer by {statistics.median(errors_ms):.2f} ms (median), {p99:.2f} (99 %), {errors_ms[-1]:.2f} (most)")
    print(f"SIGTERM to pin low: {', '.join(f'{ms:.1f}' for ms in ended_ms)} ms")
    assert len(runs) > 10
    assert all(0 <= ms < 500 for ms in errors_ms)
    assert max(ended_ms) < 1000
