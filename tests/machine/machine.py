"""One emulated board: qemu in software emulation, a console, an agent that runs commands, an observer of the lines."""

from __future__ import annotations

import json
import queue
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from dosingd.clock import SystemClock

CLOCK = SystemClock()
#: How long a boot may take until the agent says hello; a slow machine's second attempt may take as long.
HELLO_S = 120.0
#: How long a command may take, if nothing else is said.
PATIENCE_S = 180.0


@dataclass(frozen=True)
class Edge:
    """One change of a line's level, as the observer saw it, in the so-manieth boot of this machine."""

    boot: int
    line: int
    level: int
    boot_s: float  #: CLOCK_BOOTTIME of the guest
    gap_s: float  #: the change came at most so long before
    host_s: float  #: when the host was told, by its own clock


@dataclass(frozen=True)
class Pulse:
    """A line was high. `end_s` is None where the power was cut or the board reset before it was low again."""

    boot: int
    line: int
    start_s: float
    end_s: float | None
    uncertain_s: float

    @property
    def run_s(self) -> float:
        assert self.end_s is not None
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Done:
    """A command's end."""

    status: int
    out: str
    err: str


class Failed(Exception):
    """The machine or a command in it did not do what it should."""


class Machine:
    """A board with disks of its own. `start` gives it power, `cut_power` takes it away; the disks stay."""

    def __init__(self, kernel: Path, first_stage: Path, disks: Sequence[Path], work: Path) -> None:
        """`disks` are the guest's /dev/vda, which is its root, /dev/vdb and so on. `work` is a directory with a short
        path, for the sockets and the console's text."""
        self.kernel, self.first_stage = kernel, first_stage
        self.disks, self.work = disks, work
        self.edges: list[Edge] = []
        self.hellos = 0  #: how often the agent said hello
        self.boot = -1  #: which boot the agent is in
        self.resets: list[float] = []  #: when the board was reset, by the host's clock
        self.worst_gap_s = 0.0
        self.boot_ids: list[str] = []
        self._observers_boot = -1
        self._changed = threading.Condition()
        self._answers: dict[int, queue.SimpleQueue[Done]] = {}
        self._asked = 0
        self._qemu: subprocess.Popen[bytes] | None = None
        self._links: dict[str, socket.socket] = {}
        self._readers: list[threading.Thread] = []

    # -- power -----------------------------------------------------------------------------------------------

    def start(self, *, rtc: str = "utc") -> Self:
        """Power on; returns when the agent has said hello. A first contact that fails is tried once more."""
        for attempt in (1, 2):
            self._power_on(rtc)
            try:
                self.wait_for_hello(self.hellos + 1)
                return self
            except Failed:
                self.cut_power()
                if attempt == 2:
                    raise
        raise AssertionError

    def _power_on(self, rtc: str) -> None:
        for name in ("agent", "observer", "qmp"):
            (self.work / name).unlink(missing_ok=True)
        command = [
            # A run of the tests that is killed leaves no board behind it.
            "setpriv", "--pdeathsig", "KILL",
            # Without the string instructions that are slow in emulation.
            "qemu-system-x86_64", "-M", "pc", "-cpu", "max,-erms,-fsrm", "-accel", "tcg,tb-size=512",
            "-smp", "1", "-m", "256",
            "-nodefaults", "-display", "none", "-no-user-config",
            "-kernel", str(self.kernel), "-initrd", str(self.first_stage),
            # The kernel's check of its timer fails where an emulated processor has to wait for a real one.
            "-append",
            "console=ttyS0 loglevel=4 systemd.show_status=no mitigations=off tsc=reliable no_timer_check",
            "-rtc", f"base={rtc}",
            "-device", "i6300esb", "-action", "watchdog=reset",
            "-device", "virtio-rng-pci",
            *[word for disk in self.disks for word in ("-drive", f"file={disk},format=raw,if=virtio,cache=writeback")],
            "-chardev", f"file,id=console,path={self.work / 'console'},append=on", "-serial", "chardev:console",
            "-serial", f"unix:{self.work / 'agent'},server=on,wait=off",
            "-serial", f"unix:{self.work / 'observer'},server=on,wait=off",
            "-qmp", f"unix:{self.work / 'qmp'},server=on,wait=off",
        ]  # fmt: skip
        with (self.work / "qemu.err").open("ab") as errors:
            self._qemu = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=errors)
        for name, take in (("agent", self._told), ("observer", self._observed), ("qmp", self._event)):
            link = self._links[name] = self._connected(name)
            reader = threading.Thread(target=_read_lines, args=(link, take), name=name, daemon=True)
            reader.start()
            self._readers.append(reader)
        self._links["qmp"].sendall(b'{"execute": "qmp_capabilities"}\n')

    def _connected(self, name: str) -> socket.socket:
        assert self._qemu is not None
        by = CLOCK.now().mono_s + 20
        while True:
            link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                link.connect(str(self.work / name))
                return link
            except OSError:
                link.close()
                if self._qemu.poll() is not None or CLOCK.now().mono_s > by:
                    said = (self.work / "qemu.err").read_text(encoding="utf-8", errors="replace")
                    raise Failed(f"qemu did not start: {said}") from None
                threading.Event().wait(0.02)

    def cut_power(self) -> float:
        """Kill qemu, as a power cut does. Returns when, by the host's clock."""
        cut_s = CLOCK.now().mono_s
        if self._qemu is not None:
            self._qemu.send_signal(signal.SIGKILL)
            self._qemu.wait(30)
            self._qemu = None
        for link in self._links.values():
            link.close()
        for reader in self._readers:
            reader.join(10)
        self._links, self._readers = {}, []
        return cut_s

    def wait_for_power_off(self, patience_s: float = PATIENCE_S) -> None:
        """Until the guest has switched itself off."""
        assert self._qemu is not None
        try:
            self._qemu.wait(patience_s)
        except subprocess.TimeoutExpired:
            raise Failed(f"it did not switch itself off within {patience_s} s\n{self.console_tail()}") from None
        self.cut_power()

    def wait_for_hello(self, number: int) -> None:
        """Until the agent has said hello so many times in all: once each time that the board has come up."""
        self.wait(lambda: self.hellos >= number, f"the agent's hello number {number}", HELLO_S)

    # -- commands --------------------------------------------------------------------------------------------

    def begin(self, command: str, text: str = "") -> Callable[[float], Done]:
        """Have a command begun in the guest; what is returned waits for its end."""
        with self._changed:
            self._asked += 1
            number = self._asked
            answer = self._answers[number] = queue.SimpleQueue()
        self._links["agent"].sendall(json.dumps({"id": number, "run": command, "input": text}).encode() + b"\n")

        def ended(patience_s: float = PATIENCE_S) -> Done:
            try:
                return answer.get(timeout=patience_s)
            except queue.Empty:
                raise Failed(f"no answer within {patience_s} s to: {command}\n{self.console_tail()}") from None

        return ended

    def run(self, command: str, text: str = "", *, check: bool = True, patience_s: float = PATIENCE_S) -> str:
        """What a command in the guest prints. Raises Failed when it fails, unless `check` is False."""
        done = self.begin(command, text)(patience_s)
        if check and done.status:
            raise Failed(f"status {done.status} of: {command}\n{done.out}{done.err}")
        return done.out

    def boot_s(self) -> float:
        """CLOCK_BOOTTIME of the guest, to a hundredth."""
        return float(self.run("cut -d' ' -f1 /proc/uptime"))

    # -- what it shows ---------------------------------------------------------------------------------------

    def wait(self, true: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> None:
        """Until something that the agent or the observer tells is so."""
        with self._changed:
            if not self._changed.wait_for(true, patience_s):
                raise Failed(f"not within {patience_s} s: {what}\n{self.console_tail()}")

    def level(self, line: int) -> int:
        """The level that the observer saw last."""
        seen = [edge.level for edge in self.edges if edge.line == line and edge.boot == self._observers_boot]
        return seen[-1] if seen else 0

    def wait_for_level(self, line: int, level: int, patience_s: float = PATIENCE_S) -> Edge:
        """Until a line is at a level; the change to it."""
        self.wait(lambda: self.level(line) == level, f"GPIO {line} at {level}", patience_s)
        return next(edge for edge in reversed(self.edges) if edge.line == line)

    def pulses(self, line: int, since: int = 0) -> list[Pulse]:
        """Every time that a line was high, from the so-manieth edge on."""
        found: list[Pulse] = []
        rise: Edge | None = None
        for edge in [edge for edge in self.edges[since:] if edge.line == line]:
            if rise is not None:
                end_s = edge.boot_s if edge.level == 0 and edge.boot == rise.boot else None
                found.append(Pulse(rise.boot, line, rise.boot_s, end_s, rise.gap_s + edge.gap_s))
            rise = edge if edge.level else None
        if rise is not None:
            found.append(Pulse(rise.boot, line, rise.boot_s, None, rise.gap_s))
        return found

    def console_tail(self) -> str:
        """The end of what the kernel and systemd said."""
        file = self.work / "console"
        text = file.read_text(encoding="utf-8", errors="replace") if file.exists() else ""
        return "\n".join(text.splitlines()[-25:])

    def _told(self, said: dict[str, Any]) -> None:
        with self._changed:
            if "hello" in said:
                self.boot = self._index(said["hello"])
                self.hellos += 1
            elif said.get("id") in self._answers:
                self._answers.pop(said["id"]).put(Done(said["status"], said["out"], said["err"]))
            self._changed.notify_all()

    def _observed(self, said: dict[str, Any]) -> None:
        with self._changed:
            if "line" in said:
                edge = Edge(
                    self._observers_boot, said["line"], said["level"], said["boot_s"], said["gap_s"], CLOCK.now().mono_s
                )
                self.edges.append(edge)
            elif "hello" in said:
                self._observers_boot = self._index(said["hello"])
            else:
                self.worst_gap_s = max(self.worst_gap_s, said["worst_gap_s"])
            self._changed.notify_all()

    def _index(self, boot_id: str) -> int:
        if boot_id not in self.boot_ids:
            self.boot_ids.append(boot_id)
        return self.boot_ids.index(boot_id)

    def _event(self, said: dict[str, Any]) -> None:
        if said.get("event") == "RESET":
            with self._changed:
                self.resets.append(CLOCK.now().mono_s)
                self._changed.notify_all()

    # -- as a resource ---------------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.cut_power()


def _read_lines(link: socket.socket, take: Callable[[dict[str, Any]], None]) -> None:
    rest = b""
    while True:
        try:
            more = link.recv(65536)
        except OSError:
            return
        if not more:
            return
        *lines, rest = (rest + more).split(b"\n")
        for line in lines:
            try:
                said = json.loads(line)
            except ValueError:
                continue  # the firmware's or a cut boot's rest of a line
            if isinstance(said, dict):
                take(said)


def copy_of(disk: Path, to: Path) -> Path:
    """A disk of its own, sparse."""
    subprocess.run(["cp", "--sparse=always", "--reflink=auto", str(disk), str(to)], check=True)
    return to
