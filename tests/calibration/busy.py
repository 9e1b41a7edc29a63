"""A real daemon that doses every few seconds, persons at terminals beside it, and a judge of what came of both.

The judge reads the file of pulses and a copy of the ledger, and shares no code with the program; `tests/kills` holds
what is asked of every daemon, and here is asked what must hold beside it while people are at the pumps. The rig and its
figures are invented.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Self

from attrs import frozen

from tests.cli.terminal import Terminal, terminal
from tests.daemon.child import CLOCK, PATIENCE_S, ROOT, Rig, wait_until
from tests.kills.files import Row, pulses_of, rows_of
from tests.kills.oracle import Keeper, Outage, breaches

#: 30 mL/min. A scheduled dose is a fifth of a second long, one in four seconds for each channel.
UL_PER_S = 500.0
PERIOD_S = 4.0
DOSE_UL = 100
MINUTES = 12
CHANNELS = ("alk", "ca", "mg")
#: So much above its reserve is in a reservoir, so that the guided calibration chooses runs of a few seconds.
ROOM_ML = 11.5
#: A day's volume is made up of whole doses; where it is laid anew two of them may lie this far apart at most.
SILENT_S = 2.5 * PERIOD_S
#: A machine that wakes a process so much late has stood still: then no daemon can look after a lease.
STALL_S = 0.15
#: Tells each stall of the machine, by its end on CLOCK_BOOTTIME and its length, beside the daemon.
_FLOOR = """
import sys, time
while True:
    before_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    time.sleep(0.02)
    now_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    if now_s - before_s > 0.02 + float(sys.argv[1]):
        print(before_s, now_s, flush=True)
"""
#: How much more than what ran may be booked as given: the pin moves a little after the run is timed.
MORE_UL = 0.02 * UL_PER_S + 1

_CHANNEL = """\
  {name}:
    stock: {name}
    daily: {daily} mL
    doses: {doses}
    when: [{{from: "{start}", to: "{end}", share: 100 %}}]
    pump: {{gpio: {gpio}, nominal_flow: 30 mL/min, smallest: 0.02 mL}}
    limits: {{dose: 100 mL, day: 45 L, run: 24 h, rise: {rise}}}
    reservoir: {{holds: 10 L, reserve: 1 L, warn: 1 hour}}
    line: 0.5 mL
"""
_PLAN = """\
rig: busy
timezone: {zone}
tank: {{water: 100000 L}}
stocks:
  alk: {{gives: alkalinity, strength: {{alkalinity: 0.5 eq/L}}}}
  ca: {{gives: calcium, strength: {{calcium: 10 g/L}}}}
  mg: {{gives: magnesium, strength: {{magnesium: 10 g/L}}}}
channels:
{channels}apart:
  - {{between: [alk, ca], gap: 1 s}}
  - {{between: [alk, mg], gap: 1 s}}
"""
#: 1 dKH is the alkalinity of 10 mg CaO per litre (56.077 g/mol), calcium weighs 40.078 and magnesium 24.305 g/mol.
KEEPER = Keeper(
    ul_per_s=dict.fromkeys(CHANNELS, UL_PER_S),
    dose_ul=dict.fromkeys(CHANNELS, 100_000.0),
    day_ul=dict.fromkeys(CHANNELS, 45_000_000.0),
    run_s=dict.fromkeys(CHANNELS, 86_400.0),
    gap_s={frozenset(("alk", "ca")): 1.0, frozenset(("alk", "mg")): 1.0},
    rise_umol={
        "alkalinity": 10 * 20 / 56.077 * 1e8,
        "calcium": 100 / 40.078 * 1e8,
        "magnesium": 100 / 24.305 * 1e8,
    },
    umol_per_ul={
        "alk": {"alkalinity": 0.5},
        "ca": {"calcium": 10 / 40.078},
        "mg": {"magnesium": 10 / 24.305},
    },
)


def busy_plan() -> str:
    """Three channels that dose from now on, all within one dosing day: it is about noon in the plan's zone."""
    now_at = CLOCK.now().wall_at
    hours = 12 - now_at.hour
    from_at = now_at + timedelta(hours=hours)
    doses = int((MINUTES + 1) * 60 / PERIOD_S)
    window = {"start": f"{from_at:%H:%M}", "end": f"{from_at + timedelta(minutes=MINUTES + 1):%H:%M}"}
    each = {"daily": doses * DOSE_UL / 1000, "doses": doses, **window}
    return _PLAN.format(
        zone=f"Etc/GMT{-hours:+d}",  # the sign of these zones is the other way round
        channels="".join(
            _CHANNEL.format(name=name, gpio=gpio, rise=rise, **each)
            for name, gpio, rise in (("alk", 17, "10 dKH"), ("ca", 27, "100 mg/L"), ("mg", 22, "100 mg/L"))
        ),
    )


class Busy(Rig):
    """The bench, its daemon, whoever calls it, and the times at which no daemon ran."""

    def __init__(self, directory: Path) -> None:
        super().__init__(directory, busy_plan())
        self.outages: list[Outage] = []
        self.stops_s: list[float] = []
        self._released = 0
        self.fill("alk")

    def fill(self, channel: str) -> None:
        """So little that the guided calibration chooses short runs."""
        to = f"{1000 + ROOM_ML:g} mL"
        assert self.ask("refill", channel, "--to", to, "--found", to)["ok"] is True

    def __enter__(self) -> Self:
        with self._stalls_file.open("wb") as out:
            self._floor = subprocess.Popen([sys.executable, "-c", _FLOOR, f"{STALL_S}"], stdout=out)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        super().__exit__(kind, fault, trace)
        self._floor.kill()
        self._floor.wait()

    @property
    def _stalls_file(self) -> Path:
        return self.state.parent / "stalls"

    def stalls(self) -> list[Outage]:
        """When the machine itself stood still: it is no fault of a daemon that nothing was looked after."""
        found = [line.split() for line in self._stalls_file.read_text().splitlines()]
        return [Outage(float(from_s) - STALL_S, float(to_s)) for from_s, to_s in found]

    def release_after_stall(self) -> None:
        """A person releases a rig that was held because the machine stood still in the middle of a run."""
        holds = self.log.count("error: held, all pumps off")
        if holds > self._released and self.stalls():
            self._released = holds
            assert self.ask("release")["ok"] is True

    def client(self, *arguments: str) -> subprocess.Popen[str]:
        """A command that is carried out beside others."""
        return subprocess.Popen(
            self.command(*arguments, "--json"), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )

    @contextmanager
    def at_terminal(self, *arguments: str) -> Iterator[Terminal]:
        """A person at a terminal."""
        with terminal(*arguments, "--state", str(self.state), "--plan", str(self.plan_file)) as screen:
            yield screen

    def kill(self) -> None:
        """SIGKILL, and a daemon anew; between them nobody drives the lines low."""
        from_s = CLOCK.now().mono_s
        self.stop(signal.SIGKILL)
        self.start()
        self.outages.append(Outage(from_s, CLOCK.now().mono_s))

    def end(self) -> None:
        """SIGTERM."""
        self.stops_s.append(CLOCK.now().mono_s)
        assert self.stop() == 0, self.log

    def wait_for_run(self, channel: str, longer_s: float = 0.5) -> None:
        """Until a pump has been on for longer than a scheduled dose takes."""

        def on() -> bool:
            last = self.pulses[-1:]
            return bool(
                last
                and last[0]["channel"] == channel
                and last[0]["on"]
                and CLOCK.now().mono_s - last[0]["boot_mono_s"] > longer_s
            )

        wait_until(on, f"a test run of {channel}")

    def wait_for_doses(self, more: int, *channels: str) -> None:
        """Until so many more runs of each of these channels have ended."""

        def ended() -> dict[str, int]:
            found = dict.fromkeys(channels, 0)
            for one in self.pulses:
                if not one["on"] and one["channel"] in found:
                    found[one["channel"]] += 1
            return found

        def come() -> bool:
            self.release_after_stall()
            return all(number >= seen[name] + more for name, number in ended().items())

        seen = ended()
        wait_until(come, f"{more} more doses of {channels}")

    def last_ran_ml(self, channel: str) -> float:
        """What a person finds in the cup: the newest pulse of a pump, by its true flow."""
        pulses, _ = pulses_of(self.state / "pulses.jsonl")
        return [pulse for pulse in pulses if pulse.channel == channel][-1].length_s * UL_PER_S / 1000

    def owners(self, clients: Iterable[int]) -> set[int]:
        """Of the daemon and some other processes, those that have the ledger open."""
        found = set()
        for process in (self.pid, *clients):
            try:
                files = [os.readlink(one) for one in Path(f"/proc/{process}/fd").iterdir()]
            except OSError:
                continue  # it has ended
            if str(self.state / "ledger.sqlite") in files:
                found.add(process)
        return found


# -- a person's way through a calibration --------------------------------------------------------------------


def to_the_runs(screen: Terminal) -> None:
    """Outlet over the cup and the line filled, however often another channel's run is in the way."""
    screen.read_until("hang the outlet over a cup")
    screen.type("\n")
    screen.said = ""
    patiently(screen, "is the line full to its end")
    screen.said = ""
    screen.type("y\n")


def patiently(screen: Terminal, text: str) -> None:
    """Wait for a text; Enter whenever it says that another channel's run is in the way."""
    again = "press Enter to try again"
    while True:
        screen.read_until_one(text, again)
        if text in screen.said:
            return
        screen.said = screen.said.partition(again)[2]
        screen.type("\n")


def begin_run(screen: Terminal, number: int) -> int:
    """Empty cup, Enter. Returns how many runs there are."""
    screen.read_until(f"run {number} of ")
    screen.read_until("then press Enter: ")
    found = re.findall(rf"run {number} of (\d+)", screen.said)
    screen.said = ""
    screen.type("\n")
    return int(found[-1])


def calibrated_by_hand(
    rig: Busy, channel: str, screen: Terminal, before_last: Callable[[], object] = lambda: None
) -> None:
    """The whole guided calibration, with what really ran told of each run."""
    to_the_runs(screen)
    number, runs = 1, 1
    while number <= runs:
        runs = begin_run(screen, number)
        patiently(screen, "What was measured")
        screen.said = ""
        if number == runs:
            before_last()
        screen.type(f"{rig.last_ran_ml(channel):.3f} mL\n")
        number += 1
    screen.read_until("over the tank again")
    screen.type("\n")


# -- the judge -----------------------------------------------------------------------------------------------


@frozen
class Told:
    """What one client was answered."""

    words: tuple[str, ...]
    status: int
    data: dict[str, object]


def answers(clients: Sequence[tuple[tuple[str, ...], subprocess.Popen[str]]]) -> list[Told]:
    """What clients were answered, each of them with one JSON object and no traceback."""
    told = []
    for words, client in clients:
        out, err = client.communicate(timeout=PATIENCE_S)
        assert "Traceback" not in err, err
        told.append(Told(words, client.returncode, json.loads(out)))
    return told


def judge(rig: Busy, *, dosed: Sequence[str], measured: float = 0.0) -> list[str]:
    """Everything that was broken, in words, once the daemon has ended in order.

    `dosed`: channels that nobody had at a terminal: each of their doses was given or is told of with a reason.
    `measured`: the share by which what is booked may be less than what ran, where a person has read the volumes.
    """
    rows = rows_of(rig.state)
    keeper = replace(KEEPER, ul_per_s=dict.fromkeys(CHANNELS, UL_PER_S * (1 - measured)))
    faults = breaches(rig.state, keeper, [*rig.outages, *rig.stalls()], rig.stops_s)
    for name in CHANNELS:
        faults += _no_more_than_ran(rig, rows, name)
        faults += _reservoir(rig, rows, name)
    for name in dosed:
        faults += _on_time_or_told(rows, name)
    return faults


def _no_more_than_ran(rig: Busy, rows: Sequence[Row], name: str) -> list[str]:
    """A given run is booked at what ran, and no more. What nobody saw the end of may be booked at more."""
    pulses, _ = pulses_of(rig.state / "pulses.jsonl")
    mine = [pulse for pulse in pulses if pulse.channel == name]
    reserved = {row.seq: row for row in rows if row.kind == "reserved"}
    faults = []
    for row in rows:
        if row.kind != "settled" or row.channel != name or row.body["outcome"] != "given":
            continue
        began_s = reserved[row.reservation or 0].mono_s
        ran_ul = sum(
            pulse.length_s * UL_PER_S for pulse in mine if began_s <= pulse.start_s and pulse.end_s <= row.mono_s + 1e-5
        )
        if row.body["given_ul"] > ran_ul + MORE_UL:
            faults.append(f"row {row.seq}: {name}: {row.body['given_ul']} µL are booked, {ran_ul:.3f} ran")
    return faults


def _reservoir(rig: Busy, rows: Sequence[Row], name: str) -> list[str]:
    """The level that the status tells is the newest refill's less everything that was booked since, whatever for."""
    filled = [row for row in rows if row.kind == "refilled" and row.channel == name][-1]
    since_ul = sum(
        row.body["given_ul"] for row in rows if row.kind == "settled" and row.channel == name and row.seq > filled.seq
    )
    told_ml = rig.ask("status")["channels"][name]["reservoir"]["left_ml"]
    left_ul = filled.body["to_ul"] - since_ul
    return [] if round(told_ml * 1000) == left_ul else [f"{name}: {left_ul} µL are left by the rows, {told_ml} mL told"]


def _on_time_or_told(rows: Sequence[Row], name: str) -> list[str]:
    """Each dose has its row: given in its time (`breaches` looks at that), or missed or refused with a reason."""
    due, faults = [], []
    for row in rows:
        if row.channel != name or row.body.get("due_at_us") is None:
            continue
        due.append(row.body["due_at_us"] / 1e6)
        if row.kind == "not_given" and not row.body["reason"]:
            faults.append(f"row {row.seq}: {name}: {row.body['outcome']} without a reason")
    due.sort()
    if not due:
        return [f"{name}: no dose came due"]
    return faults + [
        f"{name}: no dose and no reason for {later - one:.1f} s after {one:.1f}"
        for one, later in pairwise(due)
        if later - one > SILENT_S
    ]


def lateness_s(rows: Sequence[Row], name: str) -> list[float]:
    """How long after it was due each dose of a channel was reserved, by the wall clock, in seconds."""
    return [
        row.wall_us / 1e6 - row.body["due_at_us"] / 1e6
        for row in rows
        if row.kind == "reserved" and row.channel == name and row.body.get("due_at_us") is not None
    ]


@contextmanager
def persons(rig: Busy, *channels: str) -> Iterator[list[Terminal]]:
    """A person at a terminal of each channel, to calibrate it."""
    with ExitStack() as stack:
        yield [stack.enter_context(rig.at_terminal("calibrate", name)) for name in channels]
