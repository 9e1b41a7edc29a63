"""The installer, run for real into a root directory of its own: pip, venv, systemd's own tools. Only apt is pretended,
and what partitions there are.

What cannot be tried this way: a Raspberry Pi's own system, and a running systemd (starting, stopping, upgrading under a
running service).
"""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest
from attrs import frozen

from dosingd import __version__

ROOT = Path(__file__).parents[2]
INSTALL = ROOT / "systemd" / "install.sh"
#: lgpio, as far as the installer asks for it.
LGPIO = "def gpiochip_open(chip):\n    raise OSError('no board')\n"
APT = """#!/bin/sh
echo "apt-get $*" >>"$STUBS/log"
[ -e "$STUBS/apt-fails" ] && exit 100
case "$*" in *install*python3-lgpio*) cp "$STUBS/lgpio.py" "$STUBS/packages/";; esac
"""
#: Answers as findmnt(8) does from what is mounted, and from fstab, in two files.
FINDMNT = """#!/bin/sh
for last; do :; done
case "$*" in
    *--fstab*) sed -n "s|^$last ||p" "$STUBS/fstab" | grep . ;;
    *"SOURCE --target"*) echo /dev/mmcblk0p2 ;;
    *"TARGET --target"*) echo /srv ;;
    *) cat "$STUBS/mounts" ;;
esac
"""
#: Tells which program the link named at that moment, and whether the next one was there.
SYNC = """#!/bin/sh
cd "$STUBS/../root/opt"
echo "$(readlink dosingd) $(ls -d dosingd-venv.*/bin/dosingd | wc -l)" >>"$STUBS/synced"
"""
UNITS = ("dosingd.service", "dosingd-pins-off.service", "dosingd-shutdown.service")

pytestmark = [
    pytest.mark.skipif(os.geteuid() != 0, reason="only root installs"),
    pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="systemd is not installed"),
]


@frozen
class Said:
    status: int
    out: str
    err: str


@frozen
class Board:
    """A root directory to install into, and what is pretended around it."""

    root: Path
    stubs: Path
    wheel: Path

    @property
    def env(self) -> dict[str, str]:
        return {
            **os.environ,
            "PATH": f"{self.stubs}:{os.environ['PATH']}",
            "PYTHONPATH": str(self.stubs / "packages"),
            "STUBS": str(self.stubs),
            "TMPDIR": str(self.stubs / "tmp"),
        }

    def run(self, *options: str, script: Path = INSTALL) -> Said:
        """What the project needs is there already, so pip need not fetch it."""
        done = subprocess.run(
            ["/bin/sh", str(script), "--python", sys.executable, "--root", str(self.root), *options],
            env=self.env | ({"PIP_NO_DEPS": "1"} if "--wheel" in options else {}),
            capture_output=True,
            text=True,
            check=False,
            timeout=300,
        )
        assert os.listdir(self.stubs / "tmp") == [], "it leaves nothing in the temporary directory"
        return Said(done.returncode, done.stdout, done.stderr)

    def install(self, *options: str) -> Said:
        """From the wheel, which must work."""
        said = self.run("--wheel", str(self.wheel), *options)
        assert said.status == 0, said.err
        return said

    def text(self, path: str) -> str:
        return (self.root / path).read_text(encoding="utf-8")

    def mode(self, path: str) -> int:
        return stat.S_IMODE((self.root / path).stat().st_mode)

    @property
    def asked_of_apt(self) -> list[str]:
        log = self.stubs / "log"
        return log.read_text().splitlines() if log.exists() else []

    def enabled(self) -> set[str]:
        return {path.name for path in self.root.glob("etc/systemd/system/*.wants/*")}

    def files(self) -> set[str]:
        return {str(path.relative_to(self.root)) for path in self.root.rglob("*") if not path.is_dir()}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("wheel")
    done = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--wheel-dir", str(made), str(ROOT)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    if done.returncode:
        pytest.skip(f"no wheel can be built here: {done.stderr[-300:]}")
    [built] = made.glob("dosingd-*.whl")
    return built


@pytest.fixture
def board(tmp_path: Path, wheel: Path) -> Board:
    stubs, root = tmp_path / "stubs", tmp_path / "root"
    for made in (root, stubs / "packages", stubs / "tmp"):
        made.mkdir(parents=True)
    # What pip finds here it need not fetch: all that this environment holds, but for the project itself.
    for package in Path(sysconfig.get_path("purelib")).iterdir():
        if "dosingd" not in package.name and package.suffix != ".pth" and not package.name.startswith(("pip", "lgpio")):
            (stubs / "packages" / package.name).symlink_to(package)
    (stubs / "lgpio.py").write_text(LGPIO)
    (stubs / "mounts").write_text("/ /dev/mmcblk0p2 ext4 rw,noatime\n/boot/firmware /dev/mmcblk0p1 vfat rw\n")
    at_each_boot = ("/", "/boot/firmware", "/boot", "/home", "/media/stick", "/mnt", "/nas", "/srv", "/var/log")
    (stubs / "fstab").write_text("".join(f"{mount} defaults,noatime\n" for mount in at_each_boot) + "/data noauto\n")
    for name, text in (("apt-get", APT), ("findmnt", FINDMNT), ("sync", SYNC)):
        (stubs / name).write_text(text)
        (stubs / name).chmod(0o755)
    return Board(root, stubs, wheel)


@pytest.mark.parametrize("name", ["install.sh", "dosingd.sh"])
@pytest.mark.parametrize("shell", ["sh", "bash"])
def test_the_scripts_are_read_by_any_shell(name: str, shell: str) -> None:
    done = subprocess.run([shell, "-n", str(ROOT / "systemd" / name)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert os.access(ROOT / "systemd" / name, os.X_OK)


def test_from_a_clone_to_the_next_three_commands_and_away_again(board: Board) -> None:
    said = board.run()
    assert said.status == 0, said.err
    assert board.asked_of_apt == ["apt-get update -q", "apt-get install -y -q --no-install-recommends python3-lgpio"]

    # The program, by the names that the units have for it.
    command = board.root / "opt/dosingd/bin/dosingd"
    version = subprocess.run([command, "--version"], env=board.env, capture_output=True, text=True, check=True)
    assert version.stdout == f"dosingd {__version__}\n"
    assert "include-system-site-packages = true" in board.text("opt/dosingd/pyvenv.cfg"), "the system's python3-lgpio"
    for unit in UNITS:
        assert board.text(f"etc/systemd/system/{unit}") == (ROOT / "systemd" / unit).read_text(encoding="utf-8")

    # Who may do what: only root writes a plan, only the daemon's account and its group see the state.
    [account] = [line.split(":") for line in board.text("etc/passwd").splitlines() if line.startswith("dosingd:")]
    state, plan = (board.root / "var/lib/dosingd").stat(), (board.root / "etc/dosingd/plan.yaml").stat()
    assert (state.st_uid, state.st_gid) == (int(account[2]), int(account[3]))
    assert (board.mode("var/lib/dosingd"), board.mode("etc/dosingd"), plan.st_uid) == (0o750, 0o755, 0)
    assert (board.mode("etc/dosingd/plan.yaml"), board.mode("usr/local/bin/dosingd")) == (0o644, 0o755)
    assert board.text("etc/dosingd/plan.yaml") == (ROOT / "config" / "lagoon.yaml").read_text(encoding="utf-8")

    # The partition that a board boots from is no place for the witness, and there is no other.
    assert "witness  in /var/lib/dosingd/witness" in said.out
    assert not (board.root / "etc/systemd/system/dosingd.service.d").exists()

    # It starts nothing by itself, and says what comes next.
    assert not board.enabled()
    commands = [line.strip() for line in said.out.splitlines() if line.startswith(("  dosingd ", "  sudo "))]
    assert commands == [
        "dosingd check /etc/dosingd/plan.yaml",
        "sudo dosingd init",
        "sudo systemctl enable --now dosingd",
    ]
    assert all(len(line) <= 80 for line in said.out.splitlines())

    # And away again.
    said = board.run("--uninstall")
    assert said.status == 0, said.err
    accounts = {f"etc/{name}" for name in ("passwd", "passwd-", "group", "group-", "shadow", "shadow-", "gshadow")}
    assert board.files() - accounts - {"etc/.pwd.lock", "etc/gshadow-"} == {"etc/dosingd/plan.yaml"}


def test_run_again_it_keeps_plan_ledger_and_witness(board: Board) -> None:
    with (board.stubs / "mounts").open("a") as mounts:
        mounts.write("/media/stick /dev/sda1 ext4 rw\n/home /dev/sdb1 ext4 rw\n/data /dev/sdc1 ext4 rw\n")
        mounts.write("/boot /dev/sde1 ext4 rw\n")
        mounts.write("/mnt /dev/sdd1 exfat rw\n/nas host:/nas nfs rw\n/srv /dev/mmcblk0p3 ext4 rw,noatime\n")
    said = board.install()
    assert "sudo dosingd init --witness /srv/dosingd-witness" in said.out, "another partition, mounted at each boot"
    assert board.text("etc/systemd/system/dosingd.service.d/witness.conf").splitlines() == [
        "[Unit]",
        "Wants=srv.mount",
        "After=srv.mount",
        "[Service]",
        "ReadWritePaths=-/srv/dosingd-witness",
        'Environment="RUN_OPTIONS=--witness /srv/dosingd-witness"',
    ]
    state, witness = board.root / "var/lib/dosingd", board.root / "srv/dosingd-witness"
    assert (witness.stat().st_uid, board.mode("srv/dosingd-witness")) == (state.stat().st_uid, 0o750)

    # What a keeper and the daemon put there.
    (board.root / "etc/dosingd/plan.yaml").chmod(0o666)
    (state / "ledger.sqlite").write_bytes(b"what was given")
    for name in ("witness-0", "witness-1", "someone's"):
        (witness / name).write_text(name)
    said = board.run("--wheel", str(board.wheel), "--start")
    assert (said.status, "is still the example" in said.err) == (2, True)
    assert not board.enabled()
    (board.root / "etc/dosingd/plan.yaml").write_text("rig: mine\n")
    before, first = board.files(), os.readlink(board.root / "opt/dosingd")

    # Moved, the witness would bear witness no more, whatever is mounted or asked for by now.
    (board.stubs / "mounts").write_text("/ /dev/mmcblk0p2 ext4 rw\n/var/log /dev/mmcblk0p4 ext4 rw\n")
    said = board.run("--wheel", str(board.wheel), "--witness", "/opt/witness")
    assert (said.status, "there it stays" in said.err.replace("\n", "")) == (2, True)

    # A try that fails leaves what was there.
    broken = board.stubs / "dosingd-9.9.9-py3-none-any.whl"
    broken.write_bytes(b"half a download")
    assert board.run("--wheel", str(broken)).status == 1
    assert board.files() == before

    said = board.install("--start")
    assert (", an example still" in said.out, "witness  in /srv/dosingd-witness" in said.out) == (False, True)
    assert board.enabled() == set(UNITS)
    second = os.readlink(board.root / "opt/dosingd")
    kept = {name.replace(second, first) for name in board.files() if ".wants/" not in name}
    assert (second != first, kept) == (True, before), "one program, and all that was there"
    synced = (board.stubs / "synced").read_text().splitlines()
    assert (synced[0], synced[-1]) == (" 1", f"{first} 2"), "a program is on the disk before the link names it"
    assert board.text("etc/dosingd/plan.yaml") == "rig: mine\n"
    assert board.mode("etc/dosingd/plan.yaml") == 0o644, "others could write it"
    assert (state / "ledger.sqlite").read_bytes() == b"what was given"
    assert len(board.asked_of_apt) == 2, "what is there is not asked for again"

    assert board.run("--uninstall").status == 0
    assert not board.enabled()
    assert (state / "ledger.sqlite").exists()
    assert (witness / "witness-0").exists()
    assert board.text("etc/dosingd/plan.yaml") == "rig: mine\n"
    assert board.run("--uninstall", "--purge").status == 0
    assert not state.exists()
    assert not (board.root / "etc/dosingd").exists()
    assert [path.name for path in witness.iterdir()] == ["someone's"], "of another directory only its own two files"


def test_without_the_binding_of_the_pins_nothing_is_installed(board: Board) -> None:
    (board.stubs / "apt-fails").touch()
    said = board.run("--wheel", str(board.wheel))
    assert said.status == 1
    assert "sudo apt-get install python3-lgpio" in said.err.replace("\n", "")
    assert board.files() == set()


def test_without_a_ledger_it_is_installed_and_not_started(board: Board, tmp_path: Path) -> None:
    """From the wheel alone: the script lies in it."""
    unpacked = tmp_path / "unpacked"
    subprocess.run([sys.executable, "-m", "zipfile", "-e", str(board.wheel), str(unpacked)], check=True, timeout=60)
    [script] = unpacked.glob("*.data/data/share/dosingd/systemd/install.sh")
    assert script.read_bytes() == INSTALL.read_bytes()
    assert board.run(script=script).status == 2, "this is no clone, so it asks for the wheel"
    said = board.run("--wheel", str(board.wheel), "--start", script=script)
    assert (said.status, "sudo dosingd init" in said.err) == (2, True)
    assert not board.enabled()
    assert (board.root / "opt/dosingd/share/dosingd/systemd/install.sh").exists(), "to uninstall it later"

    # The stop helper as the unit calls it, with nothing but what was installed.
    state = board.root / "var/lib/dosingd"
    [line] = [line for line in board.text("etc/systemd/system/dosingd.service").splitlines() if "ExecStopPost=" in line]
    command = line.removeprefix("ExecStopPost=").replace("/opt/dosingd", f"{board.root}/opt/dosingd")
    words = command.replace("/var/lib/dosingd", str(state)).split()
    first = subprocess.run(words, env={}, capture_output=True, text=True, check=False, timeout=60)
    assert (first.returncode, "no GPIO lines are listed" in first.stderr) == (0, True), "before a plan was loaded"
    (state / "lines.json").write_text('{"lines": [17, 27]}')
    then = subprocess.run(words, env={}, capture_output=True, text=True, check=False, timeout=60)
    assert then.returncode == 1
    assert then.stderr.startswith("GPIO 17, 27: not driven low. The GPIO binding lgpio cannot be imported")
    assert "Traceback" not in then.stderr

    # A ledger that has its witness beside it keeps it there, also where there is another partition by now.
    (state / "ledger.sqlite").touch()
    (board.stubs / "mounts").write_text("/srv /dev/mmcblk0p3 ext4 rw\n")
    assert "witness  in /var/lib/dosingd/witness" in board.install().out
    assert not (board.root / "etc/systemd/system/dosingd.service.d").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--purge"], "--purge goes with --uninstall"),
        (["--start", "--uninstall"], "--start does not go with --uninstall"),
        (["--wheel"], "--wheel: what it names is missing"),
        (["--wheel", "/nowhere.whl"], "there is no such wheel"),
        (["--wheels", "a.whl"], "--wheels: not an option here"),
        (["--witness", "/home/pi/witness"], "the service sees nothing there"),
        (["--witness", "witness"], "write a whole path"),
        (["--witness", "/srv/my witness"], "write a whole path"),
    ],
)
def test_what_it_cannot_do_it_refuses_and_changes_nothing(board: Board, options: list[str], words: str) -> None:
    said = board.run(*options)
    assert (said.status, said.out) == (2, "")
    assert words in said.err.replace("\n", "")
    assert board.files() == set()


def test_a_directory_that_is_not_its_own_is_left_alone(board: Board) -> None:
    (board.root / "opt/dosingd").mkdir(parents=True)
    (board.root / "opt/dosingd/mine").touch()
    said = board.run("--wheel", str(board.wheel))
    assert (said.status, "is not this script's work" in said.err) == (2, True)
    assert board.files() == {"opt/dosingd/mine"}
