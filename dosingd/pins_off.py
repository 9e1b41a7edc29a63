"""Drives every listed GPIO line low: at a start before anything else, and when the daemon has ended, however it ended.

A killed process leaves its lines as they were on a Raspberry Pi, so something else must let go of the pumps. That
something must not fail for a reason that has nothing to do with a line: it needs the standard library and lgpio alone,
nothing of this project, and reads the lines from a list that is written at each plan load.

    python -m dosingd.pins_off --state DIR

Exit status 0: every listed line reads low. 1: some do not, each named on stderr. 2: not asked as above.
"""

from __future__ import annotations

import fcntl
import json
import os
import sys
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

LINES_NAME = "lines.json"
MARK_NAME = "pins-off.json"
#: GPIO 0 to 27 are what the header of a Raspberry Pi has, by BCM numbers.
LAST_LINE = 27

#: The chips behind a Raspberry Pi's header, by the labels that their drivers give: the boards up to 3 and Zero 2, the
#: boards of 4, the boards of 5. Source, from memory: Linux, drivers/pinctrl/bcm/pinctrl-bcm2835.c (bcm2835_gpio_chip,
#: bcm2711_gpio_chip) and drivers/pinctrl/pinctrl-rp1.c.
CHIP_LABELS = frozenset({"pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1"})

#: GPIO_GET_CHIPINFO_IOCTL, _IOR(0xB4, 1, struct gpiochip_info {char name[32], label[32]; u32 lines}).
#: Source: Linux, include/uapi/linux/gpio.h, from memory; checked against lgpio's own answer by a test on a board.
_CHIPINFO = 0x8044B401
_CHIPINFO_BYTES = 68

_BOOT_ID = "/proc/sys/kernel/random/boot_id"
_NEEDED = (
    "gpiochip_open",
    "gpio_claim_input",
    "gpio_claim_output",
    "gpio_free",
    "gpio_read",
    "gpio_write",
    "tx_pwm",
)
LGPIO_CURE = (
    "On a Raspberry Pi take the distribution's package: sudo apt-get install python3-lgpio. "
    "A venv sees it only if it was made with --system-site-packages."
)

_handles: dict[int, int] = {}


class CannotDrive(Exception):
    """The lines cannot be driven, or not be told; the message says why, and what to do."""


class Mark(NamedTuple):
    """When this tool drove lines low: `lines` read low at `boot_mono_s` (CLOCK_BOOTTIME) of the boot `boot_id`."""

    boot_id: str
    boot_mono_s: float
    wall_at: str
    pid: int
    lines: tuple[int, ...]


def write_list(state: Path, lines: Iterable[int]) -> None:
    """List the lines to be driven low, on the disk when this returns. Raises OSError; the old list then stands."""
    _replace(state / LINES_NAME, {"lines": sorted(set(lines))})


def read_list(state: Path) -> list[int]:
    """The listed lines, in order; none if there is no list yet. Raises CannotDrive when the list is damaged."""
    path = state / LINES_NAME
    try:
        lines = json.loads(path.read_bytes())["lines"]
        if not isinstance(lines, list) or not all(type(line) is int and 0 <= line <= LAST_LINE for line in lines):
            raise ValueError(f'"lines" must be a list of whole numbers from 0 to {LAST_LINE}')
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise CannotDrive(
            f"{path}: this list of GPIO lines cannot be read ({fault}), so nobody knows which lines to drive low. "
            f"Cut the pumps' supply; the daemon writes a new list when it loads its plan."
        ) from None
    return lines


def read_mark(state: Path) -> Mark | None:
    """When lines were last driven low by this tool; None if it never ran, failed on a line, or its word is damaged.

    A mark may be older than what one wants to know: it says something about a run only if it is of the same boot, later
    than the run's beginning, and names the run's line.
    """
    try:
        said = json.loads((state / MARK_NAME).read_bytes())
        kinds = {"boot_id": str, "boot_mono_s": float, "wall_at": str, "pid": int, "lines": list, "failed": list}
        whole = all(type(said[key]) is kind for key, kind in kinds.items())
        if not whole or said["failed"] or not all(type(line) is int for line in said["lines"]):
            return None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return Mark(said["boot_id"], said["boot_mono_s"], said["wall_at"], said["pid"], tuple(said["lines"]))


def chip_labels(devices: Path = Path("/dev")) -> dict[int, str]:
    """The number and the label of every GPIO chip, asked of the kernel; of an unreadable one, why, in place of a label.

    Symbolic links are other names of chips that are counted already: systems for a board of 5 keep one for programs
    that look for the header at its former number.
    """
    labels: dict[int, str] = {}
    for path in devices.glob("gpiochip*"):
        number = path.name.removeprefix("gpiochip")
        if not number.isdigit() or path.is_symlink():
            continue
        try:
            chip = os.open(path, os.O_RDWR | os.O_CLOEXEC)
            try:
                told = bytearray(_CHIPINFO_BYTES)
                fcntl.ioctl(chip, _CHIPINFO, told)
            finally:
                os.close(chip)
            labels[int(number)] = bytes(told[32:64]).split(b"\0", 1)[0].decode("ascii", "replace")
        except OSError as fault:
            labels[int(number)] = f"could not be asked: {fault.strerror}"
    return dict(sorted(labels.items()))


def chip_number(labels: Mapping[int, str]) -> int:
    """The number of the one chip that is a Raspberry Pi's header, by its label: its number has changed between kernels.

    Raises CannotDrive when there is none, or more than one.
    """
    known = [number for number, label in labels.items() if label in CHIP_LABELS]
    if len(known) == 1:
        return known[0]
    found = ", ".join(f'gpiochip{number} "{label}"' for number, label in labels.items()) or "no GPIO chip at all"
    if known:
        raise CannotDrive(f"More than one GPIO chip has the label of a Raspberry Pi's header. Found: {found}.")
    raise CannotDrive(
        f"No GPIO chip has the label of a Raspberry Pi's header ({', '.join(sorted(CHIP_LABELS))}). Found: {found}. "
        f"Pins need a Raspberry Pi, and a user in the group gpio; elsewhere: dosingd run --bench"
    )


def load_lgpio(state: Path) -> Any:
    """The GPIO binding. Raises CannotDrive, with the package and the line to type, when it is missing or empty.

    While it is imported lgpio changes the process's working directory to LG_WD and makes a named pipe there; the
    working directory is put back, or relative paths that a person typed would lead elsewhere.
    Source: lgpio 0.2.2.0, lgUtil.c (lguGetWorkDir) and lgpio.py (_callback_thread).
    """
    if "lgpio" not in sys.modules:
        os.environ["LG_WD"] = _writable(state)
    try:
        before = os.getcwd()
    except OSError:  # it was removed: there is nothing to go back to
        before = None
    try:
        import lgpio
    except ImportError as fault:
        raise CannotDrive(f"The GPIO binding lgpio cannot be imported ({fault}). {LGPIO_CURE}") from None
    except Exception as fault:
        raise CannotDrive(f"The GPIO binding lgpio did not start in {os.environ['LG_WD']}: {fault}.") from None
    finally:
        if before is not None:
            os.chdir(before)
    lacking = [name for name in _NEEDED if not hasattr(lgpio, name)]
    if lacking:
        raise CannotDrive(
            f"The GPIO binding lgpio that is installed here lacks {', '.join(lacking)}: "
            f"it is empty or too old, 0.2.2 is needed. {LGPIO_CURE}"
        )
    return lgpio


def drive_low(lines: Iterable[int], state: Path) -> list[str]:
    """Drive each line low, read it back and let go of it. Returns what failed, in words, with the line's number.

    A line that fails does not stop the next. `state` is a directory that lgpio may write; another is taken if it
    cannot. A line that is let go stays low where the kernel keeps levels, and is an input with its pull-down elsewhere.
    """
    wanted = list(dict.fromkeys(lines))
    if not wanted:
        return []
    try:
        lgpio = load_lgpio(state)
        chip = chip_number(chip_labels())
        if chip not in _handles:  # kept: closing a chip takes lgpio 0.1 s, and an open one costs nothing
            _handles[chip] = lgpio.gpiochip_open(chip)
    except Exception as fault:
        named = ", ".join(str(line) for line in wanted)
        return [f"GPIO {named}: not driven low. {fault}"]
    failed: list[str] = []
    for line in wanted:
        try:
            lgpio.gpio_claim_output(_handles[chip], line, 0)
            try:
                if lgpio.gpio_read(_handles[chip], line):
                    failed.append(f"GPIO {line}: driven low and still reads high. Cut the pumps' supply.")
            finally:
                lgpio.gpio_free(_handles[chip], line)
        except Exception as fault:
            said = str(getattr(fault, "value", fault))
            held = f" Another process holds it; to see which: sudo fuser -v /dev/gpiochip{chip}"
            failed.append(f"GPIO {line}: not driven low ({said}).{held if 'busy' in said.lower() else ''}")
    return failed


def main(arguments: list[str]) -> int:
    """Drive the listed lines low, and write down when they were. Returns the exit status."""
    state = _state_of(arguments)
    if state is None:
        return _say(2, "Usage: python -m dosingd.pins_off --state DIR (or STATE_DIRECTORY=DIR in the environment).")
    try:
        lines = read_list(state)
    except CannotDrive as fault:
        return _say(1, str(fault))
    if not lines:
        return _say(0, f"{state / LINES_NAME}: no GPIO lines are listed, so none was driven.")
    failed = drive_low(lines, state)
    mono_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    try:
        with open(_BOOT_ID, encoding="ascii") as boot:
            boot_id = boot.read().strip()
        _replace(
            state / MARK_NAME,
            {
                "boot_id": boot_id,
                "boot_mono_s": mono_s,
                "wall_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
                "pid": os.getpid(),
                "lines": lines,
                "failed": failed,
            },
        )
    except OSError as fault:  # the lines are what matters: the next start only books a longer run
        _say(0, f"{state / MARK_NAME}: when the lines were driven low could not be written down ({fault.strerror}).")
    return _say(1, *failed) if failed else 0


def _state_of(arguments: list[str]) -> Path | None:
    if not arguments:
        given = os.environ.get("STATE_DIRECTORY", "")
    elif len(arguments) == 2 and arguments[0] == "--state":
        given = arguments[1]
    elif len(arguments) == 1 and arguments[0].startswith("--state="):
        given = arguments[0].removeprefix("--state=")
    else:
        return None
    return Path(given).absolute() if given else None


def _say(status: int, *lines: str) -> int:
    for line in lines:
        sys.stderr.write(f"{line}\n")
    return status


def _writable(state: Path) -> str:
    """A directory in which lgpio can make its named pipe. A card that has gone read-only must not keep a line high."""
    absolute = str(state.absolute())
    runtime = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    for directory in filter(None, (absolute, runtime, "/run", "/dev/shm")):  # noqa: S108 - a pipe
        trial = f"{directory}/.lgd-try-{os.getpid()}"
        try:
            os.mkfifo(trial)
            os.unlink(trial)
        except OSError:
            continue
        return directory
    return absolute


def _replace(path: Path, content: dict[str, object]) -> None:
    """Write a file so that a power cut leaves the old one or the new one, never a piece."""
    new = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with open(new, "w", encoding="utf-8") as file:
            file.write(json.dumps(content) + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(new, path)
    except OSError:
        new.unlink(missing_ok=True)
        raise
    directory = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(directory)
    finally:
        os.close(directory)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
