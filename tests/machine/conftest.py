"""The image, a disk on which this tree's service was installed, and a machine for each module; figures at the end."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.machine import build, figures, payload
from tests.machine.machine import CLOCK, Machine, copy_of
from tests.machine.rig import MORNING, SRV, Rig, plan

HERE = Path(__file__).parent
#: The partition of /srv, in MB.
SRV_MB = 16
#: A socket's path has 107 bytes at most (unix(7)), and some are taken by the names below the temporary directory.
LONGEST_PLACE = 50


@dataclass(frozen=True)
class Installed:
    """A board that has been installed and set up, without power, and what the installer said."""

    disks: tuple[Path, ...]
    said: str
    commands: tuple[str, ...]  #: that it named as the next ones; each was run, and ended well


@dataclass(frozen=True)
class Workshop:
    """What machines are made of."""

    place: Path
    kernel: Path
    first_stage: Path
    installed: Installed

    def machine(self, name: str) -> Machine:
        """A board of its own, with the service installed and enabled; without power."""
        work = self.place / name
        work.mkdir()
        disks = [copy_of(disk, work / disk.name) for disk in self.installed.disks]
        return Machine(self.kernel, self.first_stage, disks, work)


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
    place = tempfile.gettempdir()
    with tempfile.TemporaryDirectory(prefix="board-", dir=place if len(place) <= LONGEST_PLACE else "/tmp") as name:
        yield _workshop(image, Path(name))
    figures.note("all in all", CLOCK.now().mono_s - began_s)


def _workshop(image: build.Image, place: Path) -> Workshop:
    for name in ("wheel", "stage", "making"):
        (place / name).mkdir()
    payload.write(place / "payload", place / "wheel")
    stage = payload.first_stage(image, place / "initrd", place / "stage")
    root, srv = copy_of(image.root, place / "root"), place / "srv"
    with srv.open("wb") as file:
        file.truncate(SRV_MB << 20)
    with Machine(image.kernel, stage, (root, srv, place / "payload"), place / "making") as machine:
        machine.start(rtc="2027-03-01T07:30:00")
        machine.run('python3 -c \'import tarfile; tarfile.open("/dev/vdc").extractall("/")\'')
        machine.run(f"mke2fs -q -t ext4 /dev/vdb && echo /dev/vdb {SRV} ext4 noatime 0 0 >> /etc/fstab && mount {SRV}")
        rig = Rig(machine)
        began_s = CLOCK.now().mono_s
        said = rig.install()
        figures.note("the installer", CLOCK.now().mono_s - began_s)
        commands = tuple(line.strip() for line in said.splitlines() if line.startswith(("  dosingd ", "  sudo ")))
        rig.commission(plan(), commands)
        machine.run("systemctl poweroff --no-block")
        machine.wait_for_power_off()
    return Workshop(place, image.kernel, stage, Installed((root, srv), said, commands))


@pytest.fixture(scope="module")
def rig(workshop: Workshop, request: pytest.FixtureRequest) -> Iterator[Rig]:
    """A board with power, the daemon running, a plan without a dose for hours, an allowance that grows."""
    with workshop.machine(request.module.__name__.rsplit("_", 1)[-1]) as machine:
        machine.start(rtc=MORNING)
        board = Rig(machine)
        board.wait_for_daemon()
        yield board
        figures.note(f"a board stood still at most ({machine.work.name})", machine.worst_gap_s)


# -- figures, also of runs that pytest-xdist spreads over processes --------------------------------------------------


def pytest_sessionfinish(session: pytest.Session) -> None:
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["figures"] = figures.kept()


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    figures.add(getattr(node, "workeroutput", {}).get("figures", {}))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    for line in figures.table():
        terminalreporter.write_line(line)
