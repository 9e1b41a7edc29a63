"""The pretend pins of a bench: what they write down, and when."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from dosingd.pumps import pulses as pulses_room
from dosingd.pumps.bench import BenchPump
from dosingd.pumps.pulses import TAIL_BYTES, Pulses

ROOT = Path(__file__).parents[2]


class Ticking:
    """A BOOTTIME that moves by a second at each look."""

    def __init__(self) -> None:
        self.mono_s = 1233.56789

    def __call__(self) -> float:
        self.mono_s += 1.0
        return self.mono_s


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "pulses.jsonl"


@pytest.fixture
def pulses(file: Path) -> Iterator[Pulses]:
    one = Pulses.open(file, Ticking())
    yield one
    one.close()


def line(channel: str, on: bool, mono_s: float) -> str:
    return f'{{"channel": "{channel}", "on": {"true" if on else "false"}, "boot_mono_s": {mono_s:.6f}}}\n'


def test_each_change_of_a_level_is_a_line_before_on_or_off_returns(file: Path, pulses: Pulses) -> None:
    pump = BenchPump("alk", pulses.log)
    pump.off()
    assert file.read_text(encoding="utf-8") == ""
    pump.on()
    pump.on()
    assert file.read_text(encoding="utf-8") == '{"channel": "alk", "on": true, "boot_mono_s": 1234.567890}\n'
    pump.off()
    pump.off()
    assert file.read_text(encoding="utf-8") == line("alk", True, 1234.56789) + line("alk", False, 1235.56789)


def test_the_file_is_added_to_and_a_clean_end_leaves_nothing_on(file: Path) -> None:
    for start in range(2):
        one = Pulses.open(file, Ticking())
        assert one.left_on == ()
        pump = BenchPump("alk", one.log)
        pump.on()
        pump.off()
        one.close()
        assert len(file.read_text(encoding="utf-8").splitlines()) == 2 * (start + 1)


def test_a_process_that_is_killed_leaves_its_line_high_and_the_next_start_drives_it_low(file: Path) -> None:
    code = (
        "import os, signal, sys; from pathlib import Path; from dosingd.pumps.pulses import Pulses; "
        f"p = Pulses.open(Path({str(file)!r}), lambda: 5.0); p.log('ca', True); p.log('ca', False); "
        "p.log('alk', True); os.kill(os.getpid(), signal.SIGKILL)"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT).returncode == -9
    before = file.read_text(encoding="utf-8")
    assert before.splitlines()[-1] == line("alk", True, 5.0).rstrip()
    one = Pulses.open(file, lambda: 7.25)
    assert one.left_on == ("alk",)
    assert file.read_text(encoding="utf-8") == before + line("alk", False, 7.25)
    one.close()
    again = Pulses.open(file, lambda: 8.0)
    assert again.left_on == ()
    again.close()


@pytest.mark.parametrize(
    "torn", ['{"channel": "alk", "o', "{", "\x00\x00\x00", '{"channel": "alk", "on": false, "boot_']
)
def test_a_torn_last_line_says_nothing_and_the_next_begins_a_fresh_one(file: Path, torn: str) -> None:
    file.write_text(line("alk", True, 1.0) + torn, encoding="utf-8")
    one = Pulses.open(file, lambda: 2.0)
    assert one.left_on == ("alk",)
    one.log("ca", True)
    one.close()
    assert file.read_text(encoding="utf-8") == (
        line("alk", True, 1.0) + torn + "\n" + line("alk", False, 2.0) + line("ca", True, 2.0)
    )


def test_a_last_line_that_lacks_only_its_end_counts(file: Path) -> None:
    file.write_text(line("alk", True, 1.0).rstrip("\n"), encoding="utf-8")
    one = Pulses.open(file, lambda: 2.0)
    assert one.left_on == ("alk",)
    one.close()
    assert file.read_text(encoding="utf-8") == line("alk", True, 1.0) + line("alk", False, 2.0)


@pytest.mark.parametrize("odd", ["[]", "17", '{"channel": 1, "on": true}', '{"channel": "x", "on": 1}', '{"on": true}'])
def test_a_line_that_is_no_pulse_is_passed_over(file: Path, odd: str) -> None:
    file.write_text(f"{odd}\n", encoding="utf-8")
    one = Pulses.open(file, lambda: 2.0)
    assert one.left_on == ()
    one.close()


def test_only_the_end_of_a_long_file_is_read(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pair = line("ca", True, 1.0) + line("ca", False, 1.5)
    head = line("mg", True, 0.5) + pair * 20_000
    file.write_text(head + line("alk", True, 2.0), encoding="utf-8")
    assert len(head) > 4 * TAIL_BYTES
    read: list[int] = []
    pread = os.pread

    def measured(fd: int, length: int, offset: int) -> bytes:
        got = pread(fd, length, offset)
        read.append(len(got))
        return got

    monkeypatch.setattr(os, "pread", measured)
    one = Pulses.open(file, lambda: 3.0)
    one.close()
    assert one.left_on == ("alk",)
    assert sum(read) <= TAIL_BYTES
    assert file.read_text(encoding="utf-8") == head + line("alk", True, 2.0) + line("alk", False, 3.0)


def test_pins_that_another_process_holds_are_left_alone(file: Path, pulses: Pulses) -> None:
    pulses.log("alk", True)
    before = file.read_bytes()
    open_files = os.listdir("/proc/self/fd")
    with pytest.raises(BlockingIOError):
        Pulses.open(file, lambda: 9.0)
    assert len(os.listdir("/proc/self/fd")) == len(open_files)
    assert file.read_bytes() == before
    pulses.close()
    Pulses.open(file, lambda: 9.0).close()


def full(_: int, __: bytes) -> int:
    raise OSError(28, "No space left on device")


def test_a_level_that_cannot_be_written_down_does_not_rise(
    file: Path, pulses: Pulses, monkeypatch: pytest.MonkeyPatch
) -> None:
    pump = BenchPump("alk", pulses.log)
    with monkeypatch.context() as disk:
        disk.setattr(os, "write", full)
        with pytest.raises(OSError, match="No space"):
            pump.on()
        assert not pump.is_on
        pump.off()
    assert file.read_text(encoding="utf-8") == ""
    pump.on()
    assert file.read_text(encoding="utf-8") == line("alk", True, 1235.56789)


def test_a_level_falls_although_it_cannot_be_written_down_and_is_written_before_the_next(
    file: Path, pulses: Pulses, monkeypatch: pytest.MonkeyPatch
) -> None:
    pump = BenchPump("alk", pulses.log)
    pump.on()
    with monkeypatch.context() as disk:
        disk.setattr(os, "write", full)
        with pytest.raises(OSError, match="No space"):
            pump.off()
        assert not pump.is_on
        with pytest.raises(OSError, match="No space"):
            pump.on()
        assert not pump.is_on
    pump.on()
    pump.off()
    assert file.read_text(encoding="utf-8") == (
        line("alk", True, 1234.56789)
        + line("alk", False, 1235.56789)
        + line("alk", True, 1237.56789)
        + line("alk", False, 1238.56789)
    )


def test_a_piece_of_a_line_is_taken_back(file: Path, pulses: Pulses, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    pump = BenchPump("alk", pulses.log)
    with monkeypatch.context() as disk:
        disk.setattr(os, "write", lambda fd, text: write(fd, text[: len(text) // 2]))
        with pytest.raises(OSError, match="no space for a whole line"):
            pump.on()
        assert not pump.is_on
    assert file.read_text(encoding="utf-8") == ""
    with monkeypatch.context() as disk:
        disk.setattr(os, "write", lambda fd, text: write(fd, text[:9]))
        disk.setattr(os, "ftruncate", full)
        with pytest.raises(OSError, match="No space left"):
            pump.on()
        assert not pump.is_on
    pump.on()
    assert file.read_text(encoding="utf-8") == '{"channel\n' + line("alk", True, 1236.56789)


def test_an_off_from_another_thread_in_the_middle_of_an_on_is_not_lost() -> None:
    log: list[bool] = []
    others: list[threading.Thread] = []

    def slow(_: str, on: bool) -> None:
        log.append(on)
        if not others:
            others.append(threading.Thread(target=pump.off))
            others[0].start()
            others[0].join(0.05)

    pump = BenchPump("alk", slow)
    pump.on()
    others[0].join()
    assert log == [True, False]
    assert not pump.is_on


def test_levels_and_lines_agree_under_many_threads(file: Path, pulses: Pulses) -> None:
    pumps = [BenchPump(channel, pulses.log) for channel in ("alk", "ca")]

    def switch(pump: BenchPump) -> None:
        for _ in range(300):
            pump.on()
            pump.off()

    threads = [threading.Thread(target=switch, args=(pump,)) for pump in pumps for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    lines = file.read_text(encoding="utf-8").splitlines()
    times = [float(re.findall(r"[\d.]+", text)[-1]) for text in lines]
    assert times == sorted(times)
    for channel in ("alk", "ca"):
        levels = ['"on": true' in text for text in lines if f'"{channel}"' in text]
        assert len(levels) >= 600
        assert levels == [True, False] * (len(levels) // 2)


def test_it_imports_the_standard_library_alone() -> None:
    code = "import sys; import dosingd.pumps.pulses; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-S", "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert pulses_room.__name__ in done.stdout.split()
    assert {name.split(".")[0] for name in done.stdout.split()} - set(sys.stdlib_module_names) == {
        "dosingd",
        "__main__",
    }
