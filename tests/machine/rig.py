"""A rig on an emulated board: plans, the service, doses by hand, and the ledger read beside the daemon.

The rigs and their figures are invented. Flows are nominal: 6 mL/min, so 0.1 mL is a second of motor.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from tests.machine.build import WHEELS
from tests.machine.machine import PATIENCE_S, Edge, Failed, Machine, Pulse
from tests.machine.payload import PLACE

#: Channels and their GPIO lines.
LINES = {"alk": 17, "ca": 27, "mg": 22, "k": 23}
#: Contacts to ground, with the board's pull-up.
FLOAT, LEAK = 25, 13
UL_PER_S = 100.0
#: How long a board that was reset may have had its pump on, by the ledger's rule R1.
WORST_FAULT_S = 90.0
STATE, PLAN_FILE = "/var/lib/dosingd", "/etc/dosingd/plan.yaml"
#: Another partition, mounted at each boot, so that is where the installer puts the ledger's witness.
SRV = "/srv"
WITNESS = f"{SRV}/dosingd-witness"
#: As a keeper says it, but that pip finds in a directory what it would fetch: the guest has no network.
INSTALL = f"PIP_NO_INDEX=1 PIP_FIND_LINKS=/{WHEELS} sh /{PLACE}/install.sh"
#: pip on an emulated board takes its time.
INSTALLING_S = 600.0
#: A service that starts may be tried once more by systemd.
STARTING_S = 300.0
DOSINGD = f"/opt/dosingd/bin/dosingd --state {STATE} --plan {PLAN_FILE}"
AS_DAEMON = "setpriv --reuid dosingd --regid dosingd --init-groups"
SERVICE = "dosingd.service"
#: What the board's clock says when it is given power, if nothing else is asked for.
MORNING = "2027-03-01T08:00:00"

_PLAN = """\
rig: board
timezone: UTC
clock: {{rtc: {rtc}}}
tank: {{water: 100000 L}}
stocks:
  soda: {{gives: alkalinity, strength: {{alkalinity: 1 eq/L}}}}
  chloride: {{gives: calcium, strength: {{calcium: 40 g/L}}}}
  trace: {{gives: other}}
channels:
{channels}apart:
  - {{between: [alk, ca], gap: 1 s}}
"""
_CHANNEL = """\
  {name}:
    stock: {stock}
    daily: {daily} mL
    doses: {doses}
    when: [{{from: "{start}", to: "{end}", share: 100 %}}]
    pump: {{gpio: {gpio}, nominal_flow: 6 mL/min, smallest: 0.05 mL}}
    limits: {{dose: 20 mL, day: 10 L, run: 24 h{rise}}}
    reservoir: {{holds: 100 L}}
"""
_STOCKS = {"alk": ("soda", ", rise: 30 dKH"), "ca": ("chloride", ", rise: 200 mg/L")}


def plan(
    *,
    daily: int = 1,
    doses: int = 2,
    start: str = "20:00",
    end: str = "21:00",
    rtc: bool = True,
    only: str = "",
    switches: bool = False,
) -> str:
    """A plan with four channels, or some of them, whose doses all lie in one window of the day.

    With `switches` there is a float in the reservoir of k, and a leak sensor.
    """
    channels = "".join(
        _CHANNEL.format(
            name=name, gpio=gpio, stock=_STOCKS.get(name, ("trace", ""))[0], rise=_STOCKS.get(name, ("", ""))[1],
            daily=daily, doses=doses, start=start, end=end,
        )
        for name, gpio in LINES.items()
        if name in (only.split() or LINES)
    )  # fmt: skip
    if switches:
        channels = channels.removesuffix("}\n") + f", float: {{gpio: {FLOAT}, low_when: closed}}}}\n"
        channels += f"inputs:\n  leak: {{gpio: {LEAK}, wet_when: closed}}\n"
    text = _PLAN.format(rtc="true" if rtc else "false", channels=channels)
    return text if "  ca:" in text else text.split("apart:")[0]


@dataclass(frozen=True)
class Row:
    """One row of the ledger."""

    seq: int
    kind: str
    wall_at_us: int
    boot_id: str
    mono_us: int
    proven_ms: int
    channel: str | None
    slot: str | None
    reservation: int | None
    body: dict[str, Any]

    @property
    def mono_s(self) -> float:
        return self.mono_us / 1e6


@dataclass(frozen=True)
class Run:
    """A reservation and what it was settled as, if it was."""

    reserved: Row
    settled: Row | None

    def covers(self, pulse: Pulse) -> bool:
        """Whether at least what the line showed is booked, in seconds and in microlitres."""
        seen_s = pulse.run_s - pulse.uncertain_s
        return self.ran_s >= seen_s and self.given_ul >= seen_s * UL_PER_S - 1

    @property
    def is_worst_case(self) -> bool:
        """Whether it is booked as a run that was lost with its boot (R1): its lease, and a whole fault besides."""
        lost_s = float(self.reserved.body["lease_ms"]) / 1000 + WORST_FAULT_S
        return self.outcome == "unknown" and self.ran_s >= lost_s - 0.001 and self.given_ul >= lost_s * UL_PER_S - 1

    @property
    def outcome(self) -> str:
        assert self.settled is not None
        return str(self.settled.body["outcome"])

    @property
    def ran_s(self) -> float:
        assert self.settled is not None
        return float(self.settled.body["ran_ms"]) / 1000

    @property
    def given_ul(self) -> int:
        assert self.settled is not None
        return int(self.settled.body["given_ul"])


class Rig:
    """A machine with a rig on it. What is `struck` is the service's main process."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.run = machine.run

    # -- the service -----------------------------------------------------------------------------------------

    def install(self) -> str:
        """The program from its wheel, by its own installer; what that says."""
        return self.run(f"{INSTALL} --wheel /{PLACE}/dosingd-*.whl", patience_s=INSTALLING_S)

    def commission(self, text: str, commands: Sequence[str]) -> None:
        """A plan; then the commands that the installer names next, word for word. Before the last of them, which starts
        the service, each pump is calibrated at its nominal flow."""
        self.write_plan(text)
        *first, last = commands
        for command in first:
            self.run(command)
        runs = " ".join(f"--run '{seconds} s={seconds * UL_PER_S / 1000} mL'" for seconds in (10, 30, 30))
        for channel in LINES:
            self.run(f"{AS_DAEMON} {DOSINGD} calibrate {channel} {runs} --witness {WITNESS}")
        self.run(last, patience_s=STARTING_S)

    def write_plan(self, text: str) -> None:
        """The plan's file, on the disk as an editor has it when it has saved: the power may be cut right after."""
        self.run(f"install -m 644 /dev/stdin {PLAN_FILE} && sync {PLAN_FILE}", text)

    def wait_for_daemon(self, patience_s: float = STARTING_S) -> None:
        """Until systemd says that the service runs."""
        self._until(f'[ "$(systemctl show -P ActiveState {SERVICE})" = active ]', patience_s)

    def wait_for_end(self, result: str) -> None:
        """Until the service has ended in a certain way, and everything that follows its end is done."""
        shown = f'systemctl show -P Result -P SubState {SERVICE} | tr "\\n" " "'
        self._until(f'[ "$({shown})" = "{result} auto-restart " ]')

    def _until(self, true: str, patience_s: float = PATIENCE_S) -> None:
        waited = self.machine.begin(f"until {true}; do sleep 0.2; done")
        try:
            waited(patience_s)
        except Failed as fault:
            raise Failed(f"{fault}\n{self.journal()}") from None

    def start(self) -> None:
        """The service, if it does not run; returns when it does."""
        self.run(f"systemctl start {SERVICE}", patience_s=STARTING_S)

    def restart(self) -> None:
        """The service again at once, without waiting for systemd's own next try; returns when it runs."""
        self.run(f"systemctl restart {SERVICE}", patience_s=STARTING_S)

    def shown(self, name: str) -> str:
        """One property of the service."""
        return self.run(f"systemctl show -P {name} {SERVICE}").strip()

    def strike(self, how: str) -> float:
        """Do harm to the daemon (guest/strike.py). Returns the guest's BOOTTIME right before."""
        self.run("rm -f /run/strike")
        said = self.run(
            f"python3 /run/board/strike.py {how} $(systemctl show -P MainPID {SERVICE}) > /run/strike 2>&1 &"
            " until [ -s /run/strike ]; do sleep 0.05; done; cat /run/strike"
        )
        return float(said.split()[0])

    def contact(self, line: int, *, closed: bool) -> float:
        """Close or open a contact. Returns the guest's BOOTTIME right before."""
        place = f"/sys/devices/platform/gpio-sim.0/gpiochip0/sim_gpio{line}/pull"
        return float(self.run(f"cut -d' ' -f1 /proc/uptime; echo pull-{'down' if closed else 'up'} > {place}"))

    def journal(self) -> str:
        """The end of what systemd and the daemon said."""
        return self.run(f"journalctl -b --no-pager -q -n 60 -u {SERVICE} -u 'dosingd-*'")

    # -- by hand ---------------------------------------------------------------------------------------------

    def ask(self, *words: str, check: bool = True) -> dict[str, Any]:
        """One verb's JSON."""
        done = self.machine.begin(f"{DOSINGD} --json {shlex.join(words)}")(PATIENCE_S)
        if check and done.status:
            raise Failed(f"dosingd {shlex.join(words)}: {done.status}\n{done.out}{done.err}")
        answer: dict[str, Any] = json.loads(done.out)
        return answer

    def alarms(self) -> set[str]:
        """The kinds of the alarms that stand."""
        return {alarm["kind"] for alarm in self.ask("status")["alarms"]}

    def dose_running(self, channel: str, seconds: float) -> Edge:
        """Have a dose of so many seconds begun by hand, once the allowance suffices; returns when its line is high."""
        seen, line = len(self.machine.edges), LINES[channel]
        command = f'{DOSINGD} --json dose {channel} "{seconds * UL_PER_S / 1000:.2f} mL"'
        # The allowance of a new ledger grows from zero: a dose that is refused is asked for again.
        self._dosing = self.machine.begin(
            f"for try in 1 2 3 4 5 6 7 8; do {command} > /run/dose; [ $? -ne 2 ] && break; sleep 3; done; cat /run/dose"
        )

        def risen() -> list[Edge]:
            return [edge for edge in self.machine.edges[seen:] if edge.line == line and edge.level]

        try:
            self.machine.wait(lambda: bool(risen()), f"{channel} on", 120)
        except Failed as fault:
            raise Failed(f"{fault}\n{self.journal()}") from None
        return risen()[0]

    def dosed(self) -> dict[str, Any]:
        """The answer to what `dose_running` began."""
        answer: dict[str, Any] = json.loads(self._dosing(PATIENCE_S).out)
        return answer

    # -- the ledger ------------------------------------------------------------------------------------------

    def rows(self) -> list[Row]:
        """The ledger's rows as the disk has them, after SQLite found them sound."""
        told = json.loads(self.run(f"python3 /run/board/rows.py {STATE}"))
        assert told["sound"] == "ok"
        return [Row(**row) for row in told["rows"]]

    def runs(self, channel: str | None = None, after: int = 0) -> list[Run]:
        """The reservations after a row, each with its settlement."""
        rows = self.rows()
        settled = {row.reservation: row for row in rows if row.kind == "settled"}
        return [
            Run(row, settled.get(row.seq))
            for row in rows
            if row.kind == "reserved" and row.seq > after and channel in (None, row.channel)
        ]
