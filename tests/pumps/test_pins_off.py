"""The tool that lets go of every pump: its list, its chip, its lines, and what it leaves written down."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from dosingd import pins_off
from dosingd.clock import SystemClock
from dosingd.pins_off import CannotDrive, chip_labels, chip_number, drive_low, read_list, read_mark, write_list
from tests.pumps.board import Board, board_in

ROOT = Path(__file__).parents[2]


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Iterator[Board]:
    with board_in(monkeypatch) as one:
        yield one


def test_the_list_comes_back_each_line_once(tmp_path: Path) -> None:
    assert read_list(tmp_path) == []
    write_list(tmp_path, [27, 17, 5, 17])
    assert read_list(tmp_path) == [5, 17, 27]
    write_list(tmp_path, [])
    assert read_list(tmp_path) == []


def test_a_list_that_cannot_be_written_leaves_the_old_one_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_list(tmp_path, [17])

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_list(tmp_path, [22])
    assert read_list(tmp_path) == [17]
    assert os.listdir(tmp_path) == ["lines.json"]


def test_a_list_is_on_the_disk_before_it_has_its_name_and_its_name_after(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order that survives a power cut. Source: fsync(2), rename(2)."""
    steps: list[str] = []
    fsync, replace = os.fsync, os.replace

    def synced(file: int) -> None:
        steps.append("directory" if os.path.samestat(os.fstat(file), os.stat(tmp_path)) else "file")
        fsync(file)

    def named(old: Path, new: Path) -> None:
        steps.append("name")
        replace(old, new)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(os, "replace", named)
    write_list(tmp_path, [17])
    assert steps == ["file", "name", "directory"]


@pytest.mark.parametrize(
    "damaged",
    ["", "{", "[17]", "{}", '{"lines": 17}', '{"lines": ["17"]}', '{"lines": [true]}', '{"lines": [28]}'],
)
def test_a_damaged_list_is_an_error_with_the_way_out(tmp_path: Path, damaged: str) -> None:
    (tmp_path / "lines.json").write_text(damaged, encoding="utf-8")
    with pytest.raises(
        CannotDrive, match=r"lines\.json: this list of GPIO lines cannot be read .*Cut the pumps' supply"
    ):
        read_list(tmp_path)
    assert pins_off.main(["--state", str(tmp_path)]) == 1


def test_a_list_that_may_not_be_read_is_not_taken_for_none(tmp_path: Path) -> None:
    (tmp_path / "lines.json").mkdir()
    with pytest.raises(CannotDrive):
        read_list(tmp_path)


@pytest.mark.parametrize("label", ["pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1"])
@pytest.mark.parametrize("number", [0, 4, 10])
def test_the_header_s_chip_is_known_by_its_label(number: int, label: str) -> None:
    """Labels as the kernel's drivers give them; the source stands beside CHIP_LABELS. On a board of 5 the header has
    been chip 4 and chip 0, by the kernel's version."""
    others = {1: "raspberrypi-exp-gpio", 11: "gpio-brcmstb@107d508500"}
    assert chip_number({number: label, **others}) == number


@pytest.mark.parametrize(
    ("labels", "says"),
    [
        ({}, "Found: no GPIO chip at all"),
        ({0: "gpio-mockup-A"}, 'Found: gpiochip0 "gpio-mockup-A"'),
        ({0: "pinctrl-bcm2711-x"}, "No GPIO chip has the label"),
        ({0: "could not be asked: Permission denied"}, "Permission denied"),
        ({0: "pinctrl-rp1", 4: "pinctrl-rp1"}, 'More than one .*gpiochip0 "pinctrl-rp1", gpiochip4 "pinctrl-rp1"'),
    ],
)
def test_no_chip_or_two_is_an_error_that_lists_what_was_found(labels: dict[int, str], says: str) -> None:
    with pytest.raises(CannotDrive, match=says):
        chip_number(labels)


def test_chips_are_asked_once_each_and_an_unreadable_one_is_told(tmp_path: Path) -> None:
    (tmp_path / "gpiochip0").touch()  # a plain file does not answer: ENOTTY
    (tmp_path / "gpiochip4").symlink_to("gpiochip0")
    (tmp_path / "gpiochipX").touch()
    (tmp_path / "gpiomem").touch()
    labels = chip_labels(tmp_path)
    assert list(labels) == [0]
    assert labels[0].startswith("could not be asked: ")


def test_the_kernel_s_request_for_a_chip_s_label() -> None:
    """_IOR(0xB4, 1, 68 bytes). Source: Linux, include/uapi/asm-generic/ioctl.h and linux/gpio.h, from memory."""
    assert pins_off._CHIPINFO == 2 << 30 | (32 + 32 + 4) << 16 | 0xB4 << 8 | 1


def test_every_line_is_driven_low_read_back_and_let_go_of(board: Board, tmp_path: Path) -> None:
    board.level = {17: 1, 27: 1}
    assert drive_low([17, 27, 17], tmp_path) == []
    assert board.level == {17: 0, 27: 0}
    assert board.journal == ["open chip 0", "output 17 at 0", "free 17", "output 27 at 0", "free 27"]
    assert board.output == {}
    assert drive_low([17], tmp_path) == []
    assert board.journal.count("open chip 0") == 1


def test_one_line_that_fails_does_not_stop_the_next(board: Board, tmp_path: Path) -> None:
    board.level = {5: 1, 17: 1, 22: 1, 27: 1}
    board.held_elsewhere, board.stuck_high, board.fails = {5}, {17}, {"read 22"}
    failed = drive_low([5, 17, 22, 27], tmp_path)
    assert failed == [
        "GPIO 5: not driven low (GPIO busy). Another process holds it; to see which: sudo fuser -v /dev/gpiochip0",
        "GPIO 17: driven low and still reads high. Cut the pumps' supply.",
        "GPIO 22: not driven low (GPIO cannot).",
    ]
    assert board.level[27] == 0
    assert board.output == {}  # also the lines that failed are let go of


def test_no_lines_need_no_binding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", None)
    assert drive_low([], tmp_path) == []


def test_without_the_binding_every_line_is_named(board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", None)
    (failed,) = drive_low([17, 27], tmp_path)
    assert failed.startswith("GPIO 17, 27: not driven low.")
    assert "sudo apt-get install python3-lgpio" in failed


def test_an_empty_binding_is_told_as_such(board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", ModuleType("lgpio"))
    (failed,) = drive_low([17], tmp_path)
    assert "lacks gpiochip_open" in failed


def test_the_tool_drives_the_list_and_says_when(
    board: Board, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_list(tmp_path, [17, 27])
    board.level = {17: 1, 27: 1}
    clock = SystemClock()
    before_s = clock.now().mono_s
    assert pins_off.main(["--state", str(tmp_path)]) == 0
    after_s = clock.now().mono_s
    assert board.level == {17: 0, 27: 0}
    assert capsys.readouterr() == ("", "")
    mark = read_mark(tmp_path)
    assert mark is not None
    assert mark.boot_id == Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    assert before_s <= mark.boot_mono_s <= after_s
    assert mark.lines == (17, 27)
    assert mark.pid == os.getpid()
    assert mark.wall_at.endswith("Z")


def test_a_line_that_fails_is_a_failure_and_no_mark_to_trust(
    board: Board, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_list(tmp_path, [17, 27])
    assert pins_off.main([f"--state={tmp_path}"]) == 0
    assert read_mark(tmp_path) is not None
    board.stuck_high = {27}
    assert pins_off.main(["--state", str(tmp_path)]) == 1
    assert capsys.readouterr().err == "GPIO 27: driven low and still reads high. Cut the pumps' supply.\n"
    assert read_mark(tmp_path) is None  # not the older one either
    assert "GPIO 27" in (tmp_path / "pins-off.json").read_text(encoding="utf-8")


def test_lines_that_are_low_are_a_success_though_it_cannot_be_written_down(
    board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_list(tmp_path, [17])
    board.level = {17: 1}

    def read_only(*_: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(pins_off, "_replace", read_only)
    assert pins_off.main(["--state", str(tmp_path)]) == 0
    assert board.level == {17: 0}
    assert "could not be written down (Read-only file system)" in capsys.readouterr().err


def test_without_a_list_there_is_nothing_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert pins_off.main(["--state", str(tmp_path)]) == 0
    assert "no GPIO lines are listed" in capsys.readouterr().err
    assert read_mark(tmp_path) is None


@pytest.mark.parametrize(
    "damage",
    [
        "{",
        "[]",
        '{"failed": []}',
        '{"boot_id": "b", "boot_mono_s": "1", "wall_at": "", "pid": 1, "lines": [17], "failed": []}',
        '{"boot_id": "b", "boot_mono_s": 1.0, "wall_at": "", "pid": 1, "lines": ["17"], "failed": []}',
        '{"boot_id": "b", "boot_mono_s": 1.0, "wall_at": "", "pid": 1, "lines": [17], "failed": ["GPIO 17"]}',
    ],
)
def test_a_mark_that_is_damaged_or_tells_of_a_failure_says_nothing(tmp_path: Path, damage: str) -> None:
    (tmp_path / "pins-off.json").write_text(damage, encoding="utf-8")
    assert read_mark(tmp_path) is None


def test_asked_wrongly_it_says_how(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    for arguments in ([], ["--state"], ["--state", ""], [str(tmp_path)], ["--state", "a", "b"]):
        assert pins_off.main(arguments) == 2
        assert "--state DIR" in capsys.readouterr().err
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    assert pins_off.main([]) == 0


#: As the real one starts: it goes to LG_WD, makes its pipe there and opens it by a relative name.
PRETEND_LGPIO = """
import os
os.chdir(os.environ.get("LG_WD", "."))
os.mkfifo(".lgd-nfy0")
made_in = os.getcwd()
os.unlink(".lgd-nfy0")
"""


def started(tmp_path: Path, state: Path, code: str) -> list[str]:
    """What a new interpreter prints that has the pretended binding on its path."""
    (tmp_path / "lgpio.py").write_text(PRETEND_LGPIO, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": f"{tmp_path}:{ROOT}"}
    code = f"import os; from pathlib import Path; from dosingd import pins_off; state = Path({str(state)!r}); {code}"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.split()


def test_the_binding_makes_its_pipe_in_the_state_directory_and_the_working_directory_comes_back(tmp_path: Path) -> None:
    state = tmp_path / "state"
    state.mkdir()
    code = "pins_off._NEEDED = (); print(pins_off.load_lgpio(state).made_in, os.getcwd())"
    assert started(tmp_path, state, code) == [str(state), str(ROOT)]
    assert os.listdir(state) == []


def test_a_state_directory_that_cannot_be_written_does_not_keep_the_binding_away(tmp_path: Path) -> None:
    code = "pins_off._NEEDED = (); print(pins_off.load_lgpio(state).made_in)"
    (made_in,) = started(tmp_path, tmp_path / "gone", code)
    assert made_in in (os.environ.get("RUNTIME_DIRECTORY"), "/run", "/dev/shm")


def test_it_imports_nothing_of_the_project_and_nothing_from_elsewhere() -> None:
    code = "import sys; import dosingd.pins_off; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    bare = subprocess.run(
        [sys.executable, "-c", "import sys; print(*sys.modules)"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    new = set(done.stdout.split()) - set(bare.stdout.split())
    assert {name for name in new if name.split(".")[0] == "dosingd"} == {"dosingd", "dosingd.pins_off"}
    assert {name.split(".")[0] for name in new} - set(sys.stdlib_module_names) == {"dosingd"}


def test_run_as_a_program_where_there_are_no_pins_it_fails_and_names_the_lines(tmp_path: Path) -> None:
    if Path("/dev/gpiochip0").exists():
        pytest.skip("this machine has pins")
    write_list(tmp_path, [17, 27])
    done = subprocess.run(
        [sys.executable, "-m", "dosingd.pins_off", "--state", str(tmp_path)], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.startswith("GPIO 17, 27: not driven low.")
    assert "Traceback" not in done.stderr
    assert json.loads((tmp_path / "pins-off.json").read_text(encoding="utf-8"))["failed"] != []
