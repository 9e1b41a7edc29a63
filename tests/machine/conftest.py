"""The image, a disk with this tree's service installed on it, and a machine for each module; figures at the end."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.machine import build, figures, payload
from tests.machine.machine import CLOCK, Machine, copy_of
from tests.machine.rig import MORNING, Rig, plan

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Workshop:
    """What machines are made of."""

    place: Path
    kernel: Path
    first_stage: Path
    disk: Path

    def machine(self, name: str) -> Machine:
        """A board of its own, with the service installed and not started yet; without power."""
        work = self.place / name
        work.mkdir()
        return Machine(self.kernel, self.first_stage, copy_of(self.disk, work / "disk"), work)


@pytest.fixture(scope="session")
def workshop() -> Iterator[Workshop]:
    began_s = CLOCK.now().mono_s
    lacking = [tool for tool in ("qemu-system-x86_64", "cpio") if not shutil.which(tool)]
    if lacking:
        pytest.skip(f"{', '.join(lacking)} missing: apt-get install --no-install-recommends {' '.join(build.PACKAGES)}")
    try:
        image = build.image()
    except build.CannotBuild as fault:
        pytest.skip(str(fault))
    figures.note("image", CLOCK.now().mono_s - began_s)
    # A short path: the sockets lie in it, and theirs has 107 bytes at most (unix(7)).
    with tempfile.TemporaryDirectory(prefix="dosingd-board-", dir="/tmp") as name:
        yield _installed(image, Path(name))
    figures.note("all in all", CLOCK.now().mono_s - began_s)


def _installed(image: build.Image, place: Path) -> Workshop:
    """A disk with this tree's wheel and units on it."""
    (place / "wheel").mkdir()
    (place / "stage").mkdir()
    payload.write(place / "payload", place / "wheel")
    stage = payload.first_stage(image, place / "initrd", place / "stage")
    disk = copy_of(image.root, place / "disk")
    (place / "install").mkdir()
    with Machine(image.kernel, stage, disk, place / "install", place / "payload") as machine:
        machine.start(rtc="2027-03-01T07:30:00")
        machine.run('python3 -c \'import tarfile; tarfile.open("/dev/vdb").extractall("/")\'')
        machine.run("/opt/dosingd/bin/python -m compileall -q /opt/dosingd/lib/python3.11/site-packages/dosingd")
        machine.run("systemd-sysusers && systemd-tmpfiles --create && systemctl daemon-reload")
        Rig(machine).install(plan())
        machine.run("systemctl enable -q dosingd.service")
        machine.run("systemctl poweroff --no-block")
        machine.wait_for_power_off()
    return Workshop(place, image.kernel, stage, disk)


@pytest.fixture(scope="module")
def rig(workshop: Workshop, request: pytest.FixtureRequest) -> Iterator[Rig]:
    """A board with power, the daemon running, a plan without a dose for hours, an allowance that grows."""
    with workshop.machine(request.module.__name__.rsplit("_", 1)[-1]) as machine:
        machine.start(rtc=MORNING)
        board = Rig(machine)
        board.wait_for_daemon()
        yield board


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    for line in figures.table():
        terminalreporter.write_line(line)
