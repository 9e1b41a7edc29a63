"""What comes before anything slow: one daemon a state directory, every line low."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from dosingd import pins_off
from dosingd.clock import VirtualClock
from dosingd.daemon.early import LOCK_NAME, PULSES_NAME, Early, NoStateDirectory, SecondStart, first_steps, take_lock
from dosingd.errors import PinsRefused
from dosingd.pins_off import write_list
from dosingd.recovery import LinesLow
from tests.builders import START_AT
from tests.pumps.board import board_in

CLOCK = VirtualClock(START_AT, mono_s=1234.5)
ON = '{"channel": "alk", "on": true, "boot_mono_s": 1200.000000}\n'


def let_go(early: Early) -> None:
    os.close(early.lock)
    if early.pulses is not None:
        early.pulses.close()


def child(state: Path) -> subprocess.Popen[str]:
    """Another daemon's early steps, that wait then; it has the lock when this returns."""
    work = (
        "import sys; from pathlib import Path; from dosingd.clock import SystemClock;"
        " from dosingd.daemon.early import first_steps;"
        " first_steps(Path(sys.argv[1]), SystemClock(), bench=True); print('has it', flush=True); sys.stdin.read()"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", work, str(state)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "has it\n"
    return process


def end(process: subprocess.Popen[str]) -> int:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.close()
    process.stdout.close()
    return process.wait(20.0)


def test_the_first_start_has_the_lock_and_says_when_every_line_was_low(tmp_path: Path) -> None:
    early = first_steps(tmp_path, CLOCK, bench=True)
    assert early.low == CLOCK.now()
    assert (early.found_on, early.failed) == ((), ())
    assert (tmp_path / LOCK_NAME).read_text() == str(os.getpid())
    let_go(early)


def test_a_second_start_is_refused_in_words_and_touches_nothing(tmp_path: Path) -> None:
    process = child(tmp_path)
    (tmp_path / PULSES_NAME).write_text(ON)  # the other daemon's run
    with pytest.raises(SecondStart) as caught:
        first_steps(tmp_path, CLOCK, bench=True)
    assert str(caught.value) == (
        f"{tmp_path}: a daemon doses here already (process {process.pid}). This one touched nothing."
        " To see the rig: dosingd status"
    )
    assert (caught.value.code, caught.value.exit_status) == ("running", 2)
    assert (tmp_path / PULSES_NAME).read_text() == ON
    assert (tmp_path / LOCK_NAME).read_text() == str(process.pid)
    assert end(process) == 0


def test_a_second_start_drives_no_real_line_either(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_list(tmp_path, [17])
    process = child(tmp_path)
    with board_in(monkeypatch) as board:
        board.set(17, 1)
        with pytest.raises(SecondStart):
            first_steps(tmp_path, CLOCK, bench=False)
        assert board.level[17] == 1, "it is the other daemon's run"
        assert board.journal == []
    assert end(process) == 0


@pytest.mark.parametrize("by", [signal.SIGKILL, signal.SIGTERM, None])
def test_the_lock_goes_with_its_process(tmp_path: Path, by: signal.Signals | None) -> None:
    process = child(tmp_path)
    if by is not None:
        process.send_signal(by)
    assert end(process) == (0 if by is None else -by)
    let_go(first_steps(tmp_path, CLOCK, bench=True))


def test_a_refused_start_keeps_no_lock(tmp_path: Path) -> None:
    process = child(tmp_path)
    for _ in range(3):
        with pytest.raises(SecondStart):
            first_steps(tmp_path, CLOCK, bench=True)
    before = len(os.listdir("/proc/self/fd"))
    with pytest.raises(SecondStart):
        first_steps(tmp_path, CLOCK, bench=True)
    assert len(os.listdir("/proc/self/fd")) == before
    assert end(process) == 0


def test_a_missing_state_directory_is_refused_with_the_command_that_makes_it(tmp_path: Path) -> None:
    missing = tmp_path / "none"
    with pytest.raises(NoStateDirectory) as caught:
        first_steps(missing, CLOCK, bench=True)
    assert str(caught.value) == (
        f"{missing}: there is no such state directory, so there is no ledger and no pump runs. To make the first one:"
        f" dosingd init --plan PLAN --state {missing}"
    )
    assert caught.value.exit_status == 2
    assert not missing.exists()


def test_a_state_directory_that_cannot_be_written_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / LOCK_NAME).mkdir()
    with pytest.raises(NoStateDirectory, match=r"it cannot be written \(Is a directory\), so nothing is dosed\.$"):
        first_steps(tmp_path, CLOCK, bench=True)
    with pytest.raises(NoStateDirectory, match=r"it cannot be written \(Is a directory\)\. Nothing was done\.$"):
        take_lock(tmp_path)


def test_lines_are_driven_low_even_where_the_state_directory_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_list(tmp_path, [17])
    (tmp_path / LOCK_NAME).mkdir()
    with board_in(monkeypatch) as board:
        board.set(17, 1)
        with pytest.raises(NoStateDirectory, match="Every listed line was driven low"):
            first_steps(tmp_path, CLOCK, bench=False)
        assert board.level[17] == 0, "a card that has gone read-only must not keep a pump on"


def test_lines_are_driven_low_even_where_the_disk_is_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    write_list(tmp_path, [17])
    monkeypatch.setattr(os, "pwrite", full)
    with board_in(monkeypatch) as board:
        board.set(17, 1)
        early = first_steps(tmp_path, CLOCK, bench=False)
        assert board.level[17] == 0
    let_go(early)


def test_a_line_that_a_killed_daemon_left_on_is_driven_low_and_reported(tmp_path: Path) -> None:
    (tmp_path / PULSES_NAME).write_text(ON)
    early = first_steps(tmp_path, CLOCK, bench=True)
    assert early.found_on == ("alk",)
    let_go(early)
    lines = (tmp_path / PULSES_NAME).read_text().splitlines()
    assert lines == [ON.strip(), '{"channel": "alk", "on": false, "boot_mono_s": 1234.500000}']
    again = first_steps(tmp_path, CLOCK, bench=True)
    assert again.found_on == ()
    let_go(again)


def test_pretend_pins_that_cannot_be_used_are_refused(tmp_path: Path) -> None:
    (tmp_path / PULSES_NAME).mkdir()
    with pytest.raises(PinsRefused, match="the pretend pins cannot be used: Is a directory"):
        first_steps(tmp_path, CLOCK, bench=True)


def test_every_listed_line_is_driven_low_before_anything_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_list(tmp_path, [17, 27])
    with board_in(monkeypatch) as board:
        board.set(17, 1)
        board.set(27, 1)
        early = first_steps(tmp_path, CLOCK, bench=False)
        assert (board.level[17], board.level[27]) == (0, 0)
    assert (early.pulses, early.failed, early.found_on) == (None, (), ())
    let_go(early)


def test_a_line_that_stays_high_is_handed_on_in_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_list(tmp_path, [17, 27])
    with board_in(monkeypatch) as board:
        board.set(27, 1)
        board.stuck_high.add(17)
        early = first_steps(tmp_path, CLOCK, bench=False)
        assert board.level[27] == 0, "one that fails does not keep the next one on"
    [failed] = early.failed
    assert failed.startswith("GPIO 17: driven low and still reads high.")
    let_go(early)


def test_when_the_stop_helper_drove_lines_low_is_handed_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_list(tmp_path, [17, 27])
    with board_in(monkeypatch):
        assert pins_off.main(["--state", str(tmp_path)]) == 0
        mark = pins_off.read_mark(tmp_path)
        early = first_steps(tmp_path, CLOCK, bench=False)
    assert mark is not None
    assert early.helper == LinesLow(mark.boot_id, mark.boot_mono_s, frozenset({17, 27}))
    let_go(early)


@pytest.mark.parametrize("word", [None, "", "{", "{}", '{"boot_id": 1}'])
def test_without_the_stop_helpers_word_nothing_is_handed_on(
    word: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if word is not None:
        (tmp_path / pins_off.MARK_NAME).write_text(word)
    with board_in(monkeypatch):
        early = first_steps(tmp_path, CLOCK, bench=False)
    assert early.helper is None
    let_go(early)


def test_the_stop_helpers_word_is_not_handed_on_where_a_line_reads_high_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_list(tmp_path, [17, 27])
    with board_in(monkeypatch) as board:
        assert pins_off.main(["--state", str(tmp_path)]) == 0
        board.stuck_high.add(17)
        early = first_steps(tmp_path, CLOCK, bench=False)
    assert early.helper is None
    let_go(early)


def test_a_damaged_list_of_lines_is_handed_on_as_lines_that_did_not_answer(tmp_path: Path) -> None:
    # A refusal here would leave whatever is on, and for ever: only a start that goes on writes a new list.
    (tmp_path / "lines.json").write_text("{")
    early = first_steps(tmp_path, CLOCK, bench=False)
    [failed] = early.failed
    assert "nobody knows which lines to drive low" in failed
    let_go(early)


def test_it_needs_nothing_slow() -> None:
    """Before pins are low nothing that takes time on a small board may have been imported."""
    slow = ["apscheduler", "sqlite3", "yaml", "pint", "paho", "rich", "click", "gpiozero", "cattrs", "lgpio"]
    work = f"import sys, dosingd.daemon.early; print([name for name in {slow} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", work], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
