"""What a machine is given freshly: a first stage with the guest's side of the tests, and this tree's wheel with its
installer as one archive that the guest unpacks into `/`."""

from __future__ import annotations

import io
import shutil
import sys
import tarfile
import zipfile
from pathlib import Path

from tests.machine.build import HERE, ROOT, Image, archive, said

GUEST = HERE / "guest"
#: Where the wheel and its installer lie in the guest, and the installer's place in a wheel.
PLACE = "root"
INSTALLER = "data/share/dosingd/systemd/install.sh"

#: What a board needs not do to be tried, and what only takes its time.
MASKED = (
    "apt-daily.timer", "apt-daily-upgrade.timer", "dpkg-db-backup.timer", "e2scrub_all.timer", "fstrim.timer",
    "e2scrub_reap.service", "systemd-timesyncd.service", "systemd-tmpfiles-clean.timer",
    "systemd-update-utmp.service", "systemd-random-seed.service", "systemd-update-utmp-runlevel.service",
    "systemd-journal-flush.service", "systemd-pcrphase.service", "getty.target", "systemd-pcrphase-sysinit.service",
    "dev-hugepages.mount", "dev-mqueue.mount", "sys-kernel-debug.mount", "sys-kernel-tracing.mount",
    "sys-fs-fuse-connections.mount", "modprobe@.service", "systemd-machine-id-commit.service",
)  # fmt: skip
DROP_INS = {
    # The guest has no other devices that anyone waits for, or asks after.
    "systemd-udev-trigger.service": "[Service]\nExecStart=\nExecStart=udevadm trigger -s gpio -s block -c add\n",
    # ProtectProc= gives a service a /proc of its own, without what the first stage laid over it. A Raspberry Pi tells
    # its revision in the device tree as well, which a PC does not have.
    "dosingd.service": "[Service]\nBindReadOnlyPaths=/run/cpuinfo:/proc/cpuinfo\n",
}


def first_stage(image: Image, to: Path, work: Path) -> Path:
    """The image's first stage with the guest's side of the tests. `work` is an empty directory."""
    board = work / "board"
    units = board / "units"
    wants = units / "sysinit.target.wants"
    wants.mkdir(parents=True)
    for file in GUEST.iterdir():
        if file.suffix == ".service":
            shutil.copy(file, units)
            (wants / file.name).symlink_to(f"/run/systemd/system/{file.name}")
        elif file.suffix == ".py":
            shutil.copy(file, board)
    for name in MASKED:
        (units / name).symlink_to("/dev/null")
    for name, text in DROP_INS.items():
        (units / f"{name}.d").mkdir()
        (units / f"{name}.d" / "board.conf").write_text(text, encoding="ascii")
    shutil.copy(GUEST / "init", work / "init")
    (work / "init").chmod(0o755)
    more = to.with_suffix(".more")
    archive(work, more)
    to.write_bytes(image.initrd.read_bytes() + more.read_bytes())
    return to


def write(to: Path, work: Path) -> None:
    """Build the wheel of this tree and write the archive: the wheel, and the installer that lies in it.

    `work` is an empty directory.
    """
    said(
        sys.executable, "-m", "pip", "wheel", "-q", "--disable-pip-version-check", "--no-deps", f"--wheel-dir={work}",
        str(ROOT),
    )  # fmt: skip
    (wheel,) = work.glob("dosingd-*.whl")
    with tarfile.open(to, "w") as tar, zipfile.ZipFile(wheel) as zipped:
        tar.add(wheel, f"{PLACE}/{wheel.name}")
        (installer,) = [name for name in zipped.namelist() if name.endswith(INSTALLER)]
        told = tarfile.TarInfo(f"{PLACE}/install.sh")
        told.size = zipped.getinfo(installer).file_size
        tar.addfile(told, io.BytesIO(zipped.read(installer)))
