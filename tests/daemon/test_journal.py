"""The log: one line an event, with its priority; whoever does not read it stops nobody."""

from __future__ import annotations

import fcntl
import os
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from dosingd.daemon.journal import LONGEST_LINE, MOST_WAITING, PRIORITIES, Journal

DEADLINE_S = 20.0


@contextmanager
def pipe() -> Iterator[tuple[int, int]]:
    """Reading and writing end; the smallest pipe there is."""
    reads, writes = os.pipe()
    fcntl.fcntl(writes, fcntl.F_SETPIPE_SZ, 4096)
    try:
        yield reads, writes
    finally:
        os.close(reads)
        os.close(writes)


def read_out(journal: Journal, reads: int) -> None:
    """Let the log end before its pipe is closed, or it would write to whatever has that number next."""
    os.set_blocking(reads, False)
    while journal._thread.is_alive():
        with suppress(BlockingIOError):
            os.read(reads, 65_536)
        journal.close(0.01)


def said(*lines: tuple[str, str], time_now: Callable[[], str] | None = None) -> list[str]:
    """What a reader finds of these lines."""
    with pipe() as (reads, writes):
        journal = Journal(writes, time_now=time_now)
        for priority, text in lines:
            journal.say(priority, text)
        journal.close(DEADLINE_S)
        os.set_blocking(reads, False)
        return os.read(reads, 65_536).decode().splitlines()


def test_the_journal_gets_each_line_with_its_priority() -> None:
    """sd-daemon(3): SD_ERR "<3>", SD_WARNING "<4>", SD_NOTICE "<5>", SD_INFO "<6>"."""
    lines = [("error", "one"), ("warning", "two"), ("notice", "three"), ("info", "four")]
    assert said(*lines) == ["<3>one", "<4>two", "<5>three", "<6>four"]
    assert set(PRIORITIES) == {priority for priority, _ in lines}


def test_a_terminal_gets_the_time_and_a_word_for_what_is_wrong() -> None:
    lines = [("error", "one"), ("warning", "two"), ("notice", "three"), ("info", "four")]
    assert said(*lines, time_now=lambda: "13:20") == [
        "13:20 error: one",
        "13:20 warning: two",
        "13:20 three",
        "13:20 four",
    ]


def test_an_event_is_one_line_whatever_is_in_it() -> None:
    assert said(("info", "a\nb\r\n<0>c\td")) == ["<6>a b <0>c d"]


def test_a_line_is_cut_where_it_gets_too_long() -> None:
    [line] = said(("info", "x" * 5000))
    assert line == "<6>" + "x" * LONGEST_LINE


def test_characters_that_cannot_be_encoded_stop_no_later_line() -> None:
    assert said(("info", "bad \udcff"), ("info", "good")) == ["<6>bad ?", "<6>good"]


def test_a_reader_that_hangs_never_blocks_and_what_was_lost_is_counted() -> None:
    with pipe() as (reads, writes):
        journal = Journal(writes, time_now=None)
        done = threading.Event()
        total = 3 * MOST_WAITING

        def say_all() -> None:
            for number in range(total):
                journal.say("info", f"line {number}")
            done.set()

        threading.Thread(target=say_all, daemon=True).start()
        assert done.wait(DEADLINE_S), "a line of the log waited for its reader"

        got: list[str] = []
        room, ended = threading.Event(), threading.Event()

        def read_all() -> None:
            with os.fdopen(os.dup(reads)) as stream:
                for line in stream:
                    got.append(line.rstrip("\n"))
                    if len(got) == MOST_WAITING // 2:
                        room.set()
                    if "the end" in line:
                        break
            ended.set()

        threading.Thread(target=read_all, daemon=True).start()
        assert room.wait(DEADLINE_S)
        journal.say("notice", "almost")
        journal.say("notice", "the end")
        assert ended.wait(DEADLINE_S)
        journal.close(DEADLINE_S)

    numbers = [int(match[1]) for line in got if (match := re.fullmatch(r"<6>line (\d+)", line))]
    assert numbers == sorted(numbers)
    assert numbers[:MOST_WAITING] == list(range(MOST_WAITING)), "what came first is kept"
    lost = [int(match[1]) for line in got if (match := re.fullmatch(r"<4>(\d+) lines of the log were lost: .*", line))]
    assert len(numbers) >= MOST_WAITING
    assert len(numbers) + sum(lost) == total, "each lost line is counted, and counted once"
    assert got[-2:] == ["<5>almost", "<5>the end"]


def test_lost_lines_are_said_in_words_to_a_terminal_too() -> None:
    with pipe() as (reads, writes):
        journal = Journal(writes, time_now=lambda: "13:20")
        os.set_blocking(reads, False)
        for _ in range(3 * MOST_WAITING):
            journal.say("info", "x" * LONGEST_LINE)
        got = b""
        for _ in range(100_000):
            journal.say("info", "more")
            try:
                got += os.read(reads, 65_536)
            except BlockingIOError:
                continue
            if b"lines of the log were lost: nobody read it.\n" in got:
                break
        read_out(journal, reads)
    assert b"lines of the log were lost: nobody read it.\n" in got
    assert b"<4>" not in got


def test_a_reader_that_went_away_harms_nobody() -> None:
    reads, writes = os.pipe()
    journal = Journal(writes, time_now=None)
    os.close(reads)
    for number in range(10):
        journal.say("info", f"line {number}")
    journal.close(DEADLINE_S)
    os.close(writes)
    assert not journal._thread.is_alive(), "it goes on past each error to the end"


def test_closing_writes_what_waits() -> None:
    lines = [("info", f"line {number}") for number in range(200)]
    assert said(*lines) == [f"<6>line {number}" for number in range(200)]


def test_closing_waits_for_no_reader_for_longer_than_it_was_told() -> None:
    with pipe() as (reads, writes):
        journal = Journal(writes, time_now=None)
        for _ in range(20):
            journal.say("info", "x" * LONGEST_LINE)
        journal.close(0.05)
        assert journal._thread.is_alive()
        read_out(journal, reads)
