"""The socket: who may reach it, what a client may cost, and that none of them can harm another."""

from __future__ import annotations

import errno
import grp
import os
import signal
import socket
import stat
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from dosingd.control import BOUNDS, CONTROL_NAME, Bounds, ControlSocket, ask
from dosingd.control.place import DRAFT_NAME, laid
from dosingd.errors import DosingError, NoDaemon
from dosingd.requests import (
    Answer,
    Dose,
    History,
    Hold,
    Pause,
    Request,
    Status,
    answer_from_bytes,
    bytes_of_request,
)
from tests.control.callers import CLOCK, SERVED_S, WITHIN_S, Reply, Served, everything, program, served, until

STATUS = bytes_of_request(Status())
DOSE = Dose("alk", 4000)


def in_time(here: Served) -> None:
    """A caller who does nothing wrong is served in time. The best of five: the machine has other work than this."""
    assert min(here.served_s() for _ in range(5)) < SERVED_S


def never(_: Request, __: Reply) -> None:
    """A desk that does not answer."""


# -- one request, one answer ---------------------------------------------------------------------------------


def test_a_request_is_answered(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        assert here.ask(DOSE) == Answer(0, {"ok": True})
        assert here.taken == [DOSE]


def test_an_answer_may_come_later_from_any_thread_and_only_once(tmp_path: Path) -> None:
    def later(_: Request, reply: Reply) -> None:
        def both() -> None:
            reply(Answer(0, {"which": "first"}))
            reply(Answer(0, {"which": "second"}))

        threading.Timer(0.05, both).start()

    with served(tmp_path, later) as here:
        assert here.ask(DOSE).data == {"which": "first"}
        assert here.ask().data == {"ok": True}


def test_a_second_answer_does_not_break_into_the_first(tmp_path: Path) -> None:
    with served(tmp_path, never) as here:
        line = here.raw()
        line.sendall(bytes_of_request(DOSE))
        until(lambda: here.taken == [DOSE])
        here.replies[0](Answer(0, {"which": "1" * 900_000}))
        until(lambda: not here.server._answers)
        here.replies[0](Answer(0, {"which": "2" * 900_000}))
        in_time(here)
        assert set(answer_from_bytes(everything(line)).data["which"]) == {"1"}


def test_many_at_once_each_get_their_own_answer(tmp_path: Path) -> None:
    def echo(request: Request, reply: Reply) -> None:
        assert isinstance(request, History)
        threading.Thread(target=reply, args=(Answer(0, {"n": request.after_seq}),)).start()

    found: dict[int, Any] = {}
    with served(tmp_path, echo) as here:

        def ask_for(n: int) -> None:
            found[n] = here.ask(History(after_seq=n)).data["n"]

        threads = [threading.Thread(target=ask_for, args=(n,)) for n in range(12)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert found == {n: n for n in range(12)}


def test_what_is_no_request_is_refused_and_never_taken(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        for data in (b"\n", b"GET / HTTP/1.1\n", b"\xff\n", b"{}\n", STATUS[:-1] + b" more\n"):
            line = here.raw()
            line.sendall(data)
            answer = answer_from_bytes(everything(line))
            assert (answer.status, answer.code) == (2, "request")
        assert here.taken == []


def test_a_connection_holds_one_request(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        line = here.raw()
        line.sendall(bytes_of_request(DOSE) + bytes_of_request(DOSE))
        assert "One request a connection" in (answer_from_bytes(everything(line)).text or "")
        assert here.taken == []


def test_a_request_in_pieces_is_one_request(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        line = here.raw()
        for byte in STATUS:
            line.sendall(bytes([byte]))
        assert answer_from_bytes(everything(line)).status == 0


def test_a_desk_that_breaks_is_answered_for_and_logged(tmp_path: Path) -> None:
    def broken(_: Request, __: Reply) -> None:
        raise RuntimeError("the drawer is stuck")

    with served(tmp_path, broken) as here:
        assert here.ask(DOSE).status == 1
        assert any(priority == "error" and "drawer" in text for priority, text in here.said)
        in_time(here)


def test_an_answer_that_is_no_json_is_answered_for_and_logged(tmp_path: Path) -> None:
    with served(tmp_path, lambda _, reply: reply(Answer(0, {"what": object()}))) as here:
        assert here.ask(DOSE).status == 1
        assert any(priority == "error" for priority, _ in here.said)
        in_time(here)


def test_who_ordered_what_is_logged_and_questions_are_not(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        here.ask(Status())
        here.ask(History())
        assert here.said == []
        here.ask(DOSE)
        here.ask(Hold("leak"))
    assert here.said == [
        ("notice", f"dose alk 4.00 mL: asked for by user {os.getuid()}"),
        ("notice", f"hold, leak: asked for by user {os.getuid()}"),
    ]


# -- where it lies -------------------------------------------------------------------------------------------


def test_nobody_else_can_reach_it_at_any_instant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []
    bind, rename = socket.socket.bind, os.rename
    draft = tmp_path / DRAFT_NAME

    def look_after_bind(self: socket.socket, address: str) -> None:
        bind(self, address)
        assert stat.S_IMODE(draft.stat().st_mode) == 0o700
        assert not (tmp_path / CONTROL_NAME).exists()
        seen.append("bound")

    def look_before_rename(*arguments: Any, **named: Any) -> None:
        assert stat.S_IMODE((draft / CONTROL_NAME).stat().st_mode) == 0o660
        seen.append("moved")
        rename(*arguments, **named)

    monkeypatch.setattr(socket.socket, "bind", look_after_bind)
    monkeypatch.setattr(os, "rename", look_before_rename)
    before = os.umask(0)
    try:
        with served(tmp_path) as here:
            assert stat.S_IMODE(here.path.stat().st_mode) == 0o660
    finally:
        os.umask(before)
    assert seen == ["bound", "moved"]


def test_it_belongs_to_the_group_that_was_named(tmp_path: Path) -> None:
    gid = next((gid for gid in os.getgroups() if gid != os.getgid()), os.getgid())
    if os.getuid() == 0:
        gid = grp.getgrnam("daemon").gr_gid
    with served(tmp_path, group=grp.getgrgid(gid).gr_name) as here:
        assert here.path.stat().st_gid == gid


def test_a_group_that_is_not_there_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(DosingError, match="no group"):
        ControlSocket(tmp_path / CONTROL_NAME, never, lambda _, __: None, "nobody-has-this-group").start()


def test_what_a_killed_daemon_left_is_replaced(tmp_path: Path) -> None:
    (tmp_path / DRAFT_NAME).mkdir()
    for place in (tmp_path / CONTROL_NAME, tmp_path / DRAFT_NAME / CONTROL_NAME):
        left = socket.socket(socket.AF_UNIX)
        left.bind(str(place))
        left.close()
    with pytest.raises(NoDaemon):
        ask(tmp_path / CONTROL_NAME, Status(), 1.0)
    with served(tmp_path) as here:
        assert here.ask().status == 0
    assert not here.path.exists()
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_socket_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / CONTROL_NAME).write_text("mine", encoding="utf-8")
    with pytest.raises(DosingError, match="no socket"):
        ControlSocket(tmp_path / CONTROL_NAME, never, lambda _, __: None).start()
    assert (tmp_path / CONTROL_NAME).read_text(encoding="utf-8") == "mine"


def test_a_directory_that_is_not_there_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(DosingError, match="cannot be laid"):
        ControlSocket(tmp_path / "no" / CONTROL_NAME, never, lambda _, __: None).start()


def test_the_state_directory_may_lie_deep(tmp_path: Path) -> None:
    deep = tmp_path / ("d" * 120) / ("e" * 120)
    deep.mkdir(parents=True)
    with served(deep) as here:
        assert here.ask().status == 0


# -- the command line's end ----------------------------------------------------------------------------------


def test_where_no_daemon_runs_the_caller_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    for path in (tmp_path / CONTROL_NAME, tmp_path / "no" / CONTROL_NAME, tmp_path / "file" / CONTROL_NAME):
        with pytest.raises(NoDaemon) as none:
            ask(path, DOSE, WITHIN_S)
        assert (none.value.code, none.value.exit_status) == ("no-daemon", 2)


def test_an_account_that_may_not_is_told(tmp_path: Path) -> None:
    text = (
        "import os, sys\nfrom pathlib import Path\n"
        "from dosingd.control import ask\nfrom dosingd.errors import NoEntry\nfrom dosingd.requests import Status\n"
        "from dosingd.clock import SystemClock\nSystemClock().now()\n"  # while it may be read
        "if os.getuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try: ask(Path(sys.argv[1]), Status(), 5.0)\n"
        "except NoEntry as no: print(no.code, no)\n"
    )
    with served(tmp_path) as here:
        here.path.chmod(0o600 if os.getuid() == 0 else 0)
        said = subprocess.run(
            [sys.executable, "-c", text, str(here.path)], capture_output=True, text=True, timeout=30, check=False
        )
    assert said.stderr == ""
    assert said.stdout.startswith("permission ")
    assert "may not speak with the daemon" in said.stdout


def test_a_daemon_that_does_not_answer_costs_the_time_that_was_given(tmp_path: Path) -> None:
    with served(tmp_path, never) as here:
        from_s = CLOCK.now().mono_s
        with pytest.raises(DosingError, match="handed over; whether it was carried out shows: dosingd history"):
            here.ask(DOSE, 0.2)
        assert 0.2 <= CLOCK.now().mono_s - from_s < 2.0
        with pytest.raises(DosingError, match="Nothing was changed"):
            here.ask(History(), 0.2)
        until(lambda: here.clients() == 0)  # they hung up, and are forgotten at once


def test_a_daemon_that_takes_no_call_costs_the_time_that_was_given(tmp_path: Path) -> None:
    line = laid(tmp_path / CONTROL_NAME, None, 0)
    waiting = socket.socket(socket.AF_UNIX)
    waiting.connect(str(tmp_path / CONTROL_NAME))
    with pytest.raises(DosingError, match="took no call"):
        ask(tmp_path / CONTROL_NAME, DOSE, 0.2)
    for each in (line, waiting):
        each.close()


def test_a_daemon_that_dies_in_mid_answer_is_not_believed(tmp_path: Path) -> None:
    line = laid(tmp_path / CONTROL_NAME, None, 4)

    def dying() -> None:
        line.setblocking(True)
        one, _ = line.accept()
        one.recv(4096)
        one.send(b'{"v":1,"status":0,"da')
        one.close()

    thread = threading.Thread(target=dying)
    thread.start()
    with pytest.raises(DosingError, match="hung up before it had answered"):
        ask(tmp_path / CONTROL_NAME, DOSE, WITHIN_S)
    thread.join()
    line.close()


def test_a_stop_answers_those_who_wait_and_takes_the_socket_away(tmp_path: Path) -> None:
    found: list[Answer] = []
    with served(tmp_path, never) as here:
        thread = threading.Thread(target=lambda: found.append(here.ask(DOSE)))
        thread.start()
        until(lambda: here.taken == [DOSE])
        here.server.stop()
        thread.join()
        here.replies[0](Answer(0))  # too late: nothing happens
    assert (found[0].status, found[0].code) == (1, "stopped")
    assert not here.path.exists()


# -- what a client may cost ----------------------------------------------------------------------------------


def test_the_bounds_are_what_was_promised() -> None:
    assert (
        Bounds(
            clients=16, request_bytes=8192, send_s=10, take_s=10, answer_s=660, answer_bytes=1 << 20, calls_per_s=400
        )
        == BOUNDS
    )


def test_the_17th_is_told_so_and_the_next_is_served_when_one_leaves(tmp_path: Path) -> None:
    with served(tmp_path, never) as here:
        lines = [here.raw() for _ in range(16)]
        for line in lines:
            line.sendall(bytes_of_request(DOSE))
        until(lambda: len(here.taken) == 16)
        answer = here.ask()
        assert (answer.status, answer.code) == (2, "busy")
        assert "serving 16 others" in (answer.text or "")
        assert here.taken == [DOSE] * 16
        lines.pop().close()
        until(lambda: here.clients() == 15)
        assert here.ask().status == 0
        for line in lines:
            line.close()


def test_sixteen_that_say_nothing_do_not_keep_a_hold_out(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        lines = []
        for n in range(16):
            lines.append(here.raw())
            until(lambda n=n: here.clients() == n + 1)  # type: ignore[misc]
        assert here.ask(Hold("hands in the tank")).status == 0
        oldest = answer_from_bytes(everything(lines[0]))
        assert (oldest.status, oldest.code) == (2, "busy")
        assert "No whole request came" in (oldest.text or "")
        for line in lines[1:]:
            line.sendall(STATUS)
            assert answer_from_bytes(everything(line)).status == 0, "and nobody else was let go of"


@pytest.mark.parametrize("stop", [Hold("hands in the tank"), Pause(600.0)])
def test_sixteen_whose_requests_wait_do_not_keep_a_stop_out(tmp_path: Path, stop: Hold | Pause) -> None:
    def desk(request: Request, reply: Reply) -> None:
        if isinstance(request, Hold | Pause):
            reply(Answer(0, {"ok": True}))

    with served(tmp_path, desk) as here:
        for n in range(16):
            here.raw().sendall(bytes_of_request(DOSE))
            until(lambda n=n: len(here.taken) == n + 1)  # type: ignore[misc]
        assert here.ask(stop).status == 0
        for other in (Status(), Pause(None)):  # the end of a pause is no stop
            refused = here.ask(other)
            assert (refused.status, refused.code) == (2, "busy")
            assert refused.text == "The daemon is serving 16 others. Nothing was done. Try again in a moment."
        assert [type(request) for request in here.taken[16:]] == [type(stop)], "nothing else was handed on"
        until(lambda: here.clients() == 16)


def test_neither_do_those_that_sit_in_the_places_for_a_stop_and_say_nothing(tmp_path: Path) -> None:
    def desk(request: Request, reply: Reply) -> None:
        if isinstance(request, Hold):
            reply(Answer(0, {"ok": True}))

    with served(tmp_path, desk) as here:
        for n in range(16):
            here.raw().sendall(bytes_of_request(DOSE))
            until(lambda n=n: len(here.taken) == n + 1)  # type: ignore[misc]
        for _ in range(10):
            here.raw()
        until(lambda: here.clients() == 17)  # each newcomer takes the place of one that says nothing
        assert here.ask(Hold("hands in the tank")).status == 0
        until(lambda: here.clients() == 16)


def test_sixteen_that_say_a_little_do_not_keep_a_hold_out_and_whoever_asked_keeps_its_place(tmp_path: Path) -> None:
    with served(tmp_path, never) as here:
        asked = here.raw()
        asked.sendall(bytes_of_request(DOSE))
        until(lambda: len(here.taken) == 1)
        for n in range(15):
            here.raw().sendall(STATUS[:5])
            until(lambda n=n: here.clients() == n + 2)  # type: ignore[misc]
        assert here.ask().status == 0
        here.replies[0](Answer(0, {"given": "all"}))
        assert answer_from_bytes(everything(asked)).data == {"given": "all"}


def test_whoever_asked_and_was_not_read_yet_keeps_its_place(tmp_path: Path) -> None:
    busy, go_on = threading.Event(), threading.Event()

    def desk(request: Request, _: Reply) -> None:
        if isinstance(request, Hold):
            busy.set()
            assert go_on.wait(WITHIN_S)

    with served(tmp_path, desk) as here:
        for n in range(14):
            here.raw().sendall(bytes_of_request(DOSE))
            until(lambda n=n: len(here.taken) == n + 1)  # type: ignore[misc]
        quick = here.raw()
        until(lambda: here.clients() == 15)
        here.raw().sendall(bytes_of_request(Hold()))
        assert busy.wait(WITHIN_S)
        here.raw()  # comes before what the quick one says is read
        quick.sendall(STATUS)
        go_on.set()
        assert answer_from_bytes(everything(quick)) == Answer(0, {"ok": True})


def test_a_thread_that_died_is_missed_even_where_its_socket_still_lies(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        close = here.server._close
        here.server._close = lambda: None  # type: ignore[method-assign]
        here.server._hand_out = lambda: 1 / 0  # type: ignore[assignment]
        here.raw()
        until(lambda: not here.server.stands())
        assert here.path.is_socket()
        del here.server._hand_out
        close()


def test_a_socket_that_was_taken_away_is_missed_and_laid_anew(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        assert here.server.stands()
        here.path.unlink()
        assert not here.server.stands()
        here.server.stop()
        here.server.start()
        assert here.server.stands()
        assert here.ask().status == 0


def test_a_socket_whose_thread_died_is_missed_and_laid_anew(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        here.server._hand_out = lambda: 1 / 0  # type: ignore[assignment]
        here.raw()
        until(lambda: not here.server.stands())
        assert [priority for priority, _ in here.said] == ["error"]
        del here.server._hand_out
        here.server.stop()
        here.server.start()
        assert here.ask().status == 0


def test_what_stands_in_the_socket_s_place_at_the_end_is_left_alone(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        here.path.unlink()
        here.path.write_text("mine", encoding="utf-8")
        here.server.stop()
        assert here.path.read_text(encoding="utf-8") == "mine"


def test_a_request_of_8_kib_is_read_and_a_longer_one_refused(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        for more, code in ((0, None), (1, "request")):
            line = here.raw()
            line.sendall(STATUS[:-1] + b" " * (8192 - len(STATUS) + more) + b"\n")
            assert answer_from_bytes(everything(line)).code == code


def test_a_request_without_end_is_refused_as_too_long(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        line = here.raw()
        line.sendall(b" " * 8193)
        assert "longer than 8192 bytes" in (answer_from_bytes(everything(line)).text or "")


def test_a_request_that_does_not_come_in_time_is_given_up(tmp_path: Path) -> None:
    with served(tmp_path, bounds=Bounds(send_s=0.2)) as here:
        line = here.raw()
        line.sendall(STATUS[:10])
        from_s = CLOCK.now().mono_s
        answer = answer_from_bytes(everything(line))
        assert 0.1 < CLOCK.now().mono_s - from_s < 2.0
        assert "No whole request" in (answer.text or "")
        assert here.clients() == 0


def test_a_request_that_trickles_in_wins_no_time(tmp_path: Path) -> None:
    with served(tmp_path, bounds=Bounds(send_s=0.3)) as here:
        line = here.raw()
        pause, sent = threading.Event(), 0
        with suppress(BrokenPipeError, ConnectionResetError):
            while sent < 200:
                line.sendall(b"{")
                sent += 1
                pause.wait(0.02)
        assert sent < 100


def test_an_answer_that_nobody_takes_is_given_up(tmp_path: Path) -> None:
    with served(tmp_path, lambda _, reply: reply(Answer(0, {"x": "x" * 900_000})), bounds=Bounds(take_s=0.2)) as here:
        line = here.raw()
        line.sendall(bytes_of_request(DOSE))
        until(lambda: here.taken == [DOSE])
        assert here.clients() == 1
        until(lambda: here.clients() == 0, 3.0)
        assert 0 < len(everything(line)) < 900_000


def test_an_answer_that_the_desk_never_finds_is_given_up(tmp_path: Path) -> None:
    with served(tmp_path, never, bounds=Bounds(answer_s=0.2)) as here:
        answer = here.ask(DOSE)
        assert (answer.status, answer.code) == (1, "late")
        here.replies[0](Answer(0))
        in_time(here)


def test_an_answer_longer_than_1_mib_is_not_sent(tmp_path: Path) -> None:
    with served(tmp_path, lambda _, reply: reply(Answer(0, {"x": "x" * (1 << 20)}))) as here:
        answer = here.ask(History())
        assert (answer.status, answer.code) == (1, "too-long")
    with served(tmp_path, lambda _, reply: reply(Answer(0, {"x": "x" * 1_000_000}))) as here:
        assert len(here.ask(History()).data["x"]) == 1_000_000


def test_a_caller_who_goes_on_talking_is_hung_up_on(tmp_path: Path) -> None:
    with served(tmp_path, never) as here:
        line = here.raw()
        line.sendall(bytes_of_request(DOSE))
        until(lambda: here.taken == [DOSE])
        line.sendall(b"x" * 100)
        assert everything(line) == b""
        here.replies[0](Answer(0))
        in_time(here)


def test_calls_without_end_are_taken_at_a_measured_rate(tmp_path: Path) -> None:
    with served(tmp_path, bounds=Bounds(calls_per_s=50.0)) as here:
        from_s = CLOCK.now().mono_s
        calls = 0
        while CLOCK.now().mono_s - from_s < 1.0:
            here.ask()
            calls += 1
        assert 1 <= calls <= 16 + 50 * (CLOCK.now().mono_s - from_s) + 1


def test_without_descriptors_the_thread_rests_instead_of_spinning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[float] = []
    accept = socket.socket.accept

    def no_descriptors(self: socket.socket) -> Any:
        asked.append(CLOCK.now().mono_s)
        if len(asked) == 1:
            raise OSError(errno.EMFILE, "Too many open files")
        return accept(self)

    with served(tmp_path) as here:
        monkeypatch.setattr(socket.socket, "accept", no_descriptors)
        assert here.ask().status == 0
    assert len(asked) == 2
    assert asked[1] - asked[0] > 0.9


# -- programs that misbehave, and the others meanwhile -------------------------------------------------------

HANG = "print('ready', flush=True)\nsignal.pause()"
HALF = f"line.send({STATUS[:9]!r})\nprint('ready', flush=True)\nsignal.pause()"
FLOOD = """
sent = 0
print('ready', flush=True)
try:
    while sent < 200_000_000:
        sent += line.send(b'x' * 65536)
except OSError:
    pass
print(sent, flush=True)
signal.pause()
"""
CALLING = """
calls = 0
print('ready', flush=True)
while True:
    each = socket.socket(socket.AF_UNIX)
    try:
        each.connect(path)
        each.send(b'garbage without end\\n' * 400)
    except OSError:
        pass
    each.close()
    calls += 1
    if calls == 50:
        print('fifty', flush=True)
"""
ASKING = f"line.send({bytes_of_request(History())!r})\nprint('ready', flush=True)\n"


def long_answer(_: Request, reply: Reply) -> None:
    reply(Answer(0, {"x": "x" * 900_000}))


@pytest.mark.parametrize("text", [HANG, HALF, FLOOD, CALLING], ids=["hangs", "half a line", "floods", "calls on"])
def test_the_others_are_served_in_time(tmp_path: Path, text: str) -> None:
    with served(tmp_path) as here, program(here.path, text):
        in_time(here)


def test_fifty_calls_of_garbage_later_the_others_are_still_served_in_time(tmp_path: Path) -> None:
    with served(tmp_path) as here, program(here.path, CALLING) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "fifty\n"
        in_time(here)
        until(lambda: here.clients() <= 2)
        assert here.taken == [Status()] * 5


def test_a_flood_is_cut_off_after_the_longest_request(tmp_path: Path) -> None:
    with served(tmp_path) as here, program(here.path, FLOOD) as child:
        assert child.stdout is not None
        # What the kernel's own buffer holds comes on top (some 200 KiB).
        assert int(child.stdout.readline()) < 1_000_000
        until(lambda: here.clients() == 0)
        in_time(here)


def test_a_stopped_client_keeps_nobody_waiting_and_is_let_go(tmp_path: Path) -> None:
    with (
        served(tmp_path, long_answer, bounds=Bounds(take_s=0.5)) as here,
        program(here.path, ASKING + "os.kill(os.getpid(), signal.SIGSTOP)\n") as child,
    ):
        until(lambda: len(here.taken) == 1)
        in_time(here)
        until(lambda: here.clients() == 0)
        os.kill(child.pid, signal.SIGCONT)


def test_a_client_that_dies_in_mid_answer_is_let_go_at_once(tmp_path: Path) -> None:
    with (
        served(tmp_path, long_answer) as here,
        program(here.path, ASKING + "line.recv(1000)\nsignal.pause()\n") as child,
    ):
        until(lambda: len(here.taken) == 1)
        assert here.clients() == 1
        child.kill()
        until(lambda: here.clients() == 0, 2.0)
        in_time(here)


def test_a_client_that_dies_before_its_answer_is_let_go_at_once(tmp_path: Path) -> None:
    with served(tmp_path, never) as here, program(here.path, ASKING + "signal.pause()\n") as child:
        until(lambda: len(here.taken) == 1)
        child.kill()
        until(lambda: here.clients() == 0, 2.0)
        here.replies[0](Answer(0, {"too": "late"}))
        in_time(here)


def test_fifteen_that_hang_leave_the_sixteenth_its_place(tmp_path: Path) -> None:
    with served(tmp_path) as here:
        lines = [here.raw() for _ in range(15)]
        until(lambda: here.clients() == 15)
        in_time(here)
        for line in lines:
            line.close()
