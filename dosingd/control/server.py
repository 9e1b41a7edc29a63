"""The daemon's end of the socket.

Rules this room keeps:
- R4: it moves no pump. A request is read, checked and handed on; who may answer it is not decided here.
- R13: no client can delay, stop or start a dose. One thread serves all of them and waits for none: every client has a
  time to ask in, a time to take its answer in, and a bounded share of the memory. Whoever hands an answer back never
  waits for a client either.
"""

from __future__ import annotations

import selectors
import socket
import struct
import threading
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack, suppress
from enum import Enum, auto
from pathlib import Path

from attrs import define, field, frozen

from dosingd.clock import SystemClock
from dosingd.control.place import laid
from dosingd.errors import DosingError, RequestRefused
from dosingd.requests import ORDERS, Answer, Hold, Pause, Request, bytes_of_answer, in_words, request_from_bytes
from dosingd.words import plain

#: A keeper, a few scripts and a hub never come near it; each costs a descriptor and at most an answer of memory.
MOST_CLIENTS = 16
#: Places beyond it, for a stop alone: whoever asks for anything else there is told at once that the others are served.
STOPS_BESIDE = 4
#: The longest request is a hold with its reason, some 1 KiB in the worst of encodings.
LONGEST_REQUEST = 8 * 1024
#: A command sends its line at once; ten seconds are for a machine that swaps.
TO_SEND_S = 10.0
#: And it takes its answer at once.
TO_TAKE_S = 10.0
#: A run by hand is a minute at most, and a scheduled run may come before it.
TO_ANSWER_S = 660.0
#: A page of history with the longest reasons is half of it.
LONGEST_ANSWER = 1024 * 1024
#: Calls taken in a second, after a first burst. A program that calls without end then costs some percent of one core
#: instead of all of it.
CALLS_PER_S = 400.0
#: Calls that the kernel keeps until they are taken. Those of a program that calls without end stand before anybody
#: else's: the fewer there are, the sooner the others come.
CALLS_WAITING = 16

Take = Callable[[Request, Callable[[Answer], None]], None]
Say = Callable[[str, str], None]


@frozen
class Bounds:
    """What clients may cost."""

    clients: int = MOST_CLIENTS
    request_bytes: int = LONGEST_REQUEST
    send_s: float = TO_SEND_S
    take_s: float = TO_TAKE_S
    answer_s: float = TO_ANSWER_S
    answer_bytes: int = LONGEST_ANSWER
    calls_per_s: float = CALLS_PER_S


BOUNDS = Bounds()


class _At(Enum):
    """Where a client stands."""

    ASKING = auto()
    WAITING = auto()
    TAKING = auto()


@define(eq=False)
class _Client:
    line: socket.socket
    ends_mono_s: float
    at: _At = _At.ASKING
    asked: bytearray = field(factory=bytearray)
    answer: memoryview = field(default=memoryview(b""))
    beside: bool = False  #: taken beyond the number, so that a stop finds a place


class ControlSocket:
    """The daemon's end. The caller holds the state directory's lock: a socket that is found there is stale."""

    def __init__(self, path: Path, take: Take, say: Say, group: str | None = None, *, bounds: Bounds = BOUNDS) -> None:
        """`take` is handed each request with a way to answer it; it must return at once, and the answer may be given
        later, once, from any thread. `say` is handed (priority, line) for the log, here and in the socket's thread."""
        self._path = path
        self._take = take
        self._say = say
        self._group = group
        self._bounds = bounds
        self._clock = SystemClock()
        self._clients: set[_Client] = set()
        self._answers: deque[tuple[_Client, Answer]] = deque()
        self._calls, self._calls_mono_s = float(bounds.clients), 0.0
        self._listening = False
        self._stopping = False
        self._lies: tuple[int, int] | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Lay the socket and serve it; also anew, after it was stopped or lost. Raises DosingError in words, or
        OSError, when it cannot be laid."""
        if self._thread is not None and self._thread.is_alive():
            raise DosingError("The control socket's thread does not end. To end the daemon: kill -TERM, and start it.")
        self._stopping, self._listening = False, False
        with ExitStack() as undo:
            self._wake_out, self._wake_in = socket.socketpair()
            for line in (self._wake_out, self._wake_in):
                undo.callback(line.close)
                line.setblocking(False)
            self._selector = selectors.DefaultSelector()
            undo.callback(self._selector.close)
            self._selector.register(self._wake_in, selectors.EVENT_READ)
            self._listener = laid(self._path, self._group, CALLS_WAITING)
            undo.callback(self._listener.close)
            self._lies = _place_of(self._path)
            thread = threading.Thread(target=self._serve, name="control", daemon=True)
            thread.start()
            undo.pop_all()
        self._thread = thread

    def stands(self) -> bool:
        """Whether it is served and lies where it was laid. Looks at the disk."""
        alive = self._thread is not None and self._thread.is_alive()
        return alive and self._lies is not None and _place_of(self._path) == self._lies

    def stop(self) -> None:
        """Give the answers that are there, tell everyone else that the daemon stops, and take the socket away."""
        if self._thread is None:
            return
        self._stopping = True
        self._wake()
        self._thread.join(timeout=2.0)  # it never waits for a client, so this is short
        if not self._thread.is_alive():
            self._thread = None

    # -- from any thread -----------------------------------------------------------------------------------

    def _wake(self) -> None:
        with suppress(OSError):  # full: it is woken already. Closed: nobody waits any more.
            self._wake_out.send(b"\0")

    def _answering(self, client: _Client) -> Callable[[Answer], None]:
        def answer(said: Answer) -> None:
            self._answers.append((client, said))
            self._wake()

        return answer

    # -- the socket's thread -------------------------------------------------------------------------------

    def _serve(self) -> None:
        try:
            while not self._stopping:
                self._listen_or_rest()
                for key, _ in self._selector.select(self._wait_s()):
                    if key.fileobj is self._wake_in:
                        self._drain()
                    elif key.fileobj is self._listener:
                        self._accept()
                    else:
                        self._go_on(key.data)
                self._hand_out()
                self._end_late()
        except Exception as fault:  # a fault of ours: without this line nobody would know why no verb is answered
            self._say("error", f"the control socket ended by a fault: {fault!r}. The doses go on.")
        finally:
            self._close()

    def _now_s(self) -> float:
        return self._clock.now().mono_s

    def _listen_or_rest(self) -> None:
        """Listen while calls may be taken; each call uses up one, and time brings them back."""
        now_s = self._now_s()
        self._calls += (now_s - self._calls_mono_s) * self._bounds.calls_per_s
        self._calls, self._calls_mono_s = min(self._calls, float(self._bounds.clients)), now_s
        if self._listening == (self._calls >= 1.0):
            return
        self._listening = not self._listening
        if self._listening:
            self._selector.register(self._listener, selectors.EVENT_READ)
        else:
            self._selector.unregister(self._listener)

    def _wait_s(self) -> float | None:
        now_s = self._now_s()
        ends = [client.ends_mono_s - now_s for client in self._clients]
        if not self._listening:
            ends.append((1.0 - self._calls) / self._bounds.calls_per_s)
        return max(0.0, min(ends)) if ends else None

    def _accept(self) -> None:
        self._calls -= 1.0
        try:
            line, _ = self._listener.accept()
        except (BlockingIOError, ConnectionAbortedError):
            return
        except OSError:  # out of descriptors or memory: not again for a second
            self._calls = 1.0 - self._bounds.calls_per_s
            return
        line.setblocking(False)
        if len(self._clients) >= self._bounds.clients:
            self._make_room()
        if len(self._clients) >= self._bounds.clients + STOPS_BESIDE:
            _send_at_once(line, self._too_many())
            line.close()
            return
        beside = len(self._clients) >= self._bounds.clients
        client = _Client(line, self._now_s() + self._bounds.send_s, beside=beside)
        self._clients.add(client)
        self._selector.register(line, selectors.EVENT_READ, client)

    def _make_room(self) -> None:
        """Let go of the oldest client that has said nothing yet, or no whole request: a handful of idle ones must not
        keep a hold out."""
        asking = [client for client in self._clients if client.at is _At.ASKING]
        for client in asking:
            self._go_on(client)  # what it said may not have been read yet
        idle = [client for client in asking if client in self._clients and client.at is _At.ASKING]
        if len(self._clients) < self._bounds.clients or not idle:
            return
        least = min(idle, key=lambda client: (len(client.asked) > 0, client.ends_mono_s))
        text = "No whole request came, and others wait to be served. Nothing was done. Try again."
        _send_at_once(least.line, Answer.refused("busy", text))
        self._let_go(least)

    def _too_many(self) -> Answer:
        others = min(len(self._clients), self._bounds.clients)
        return Answer.refused(
            "busy", f"The daemon is serving {others} others. Nothing was done. Try again in a moment."
        )

    def _go_on(self, client: _Client) -> None:
        if client not in self._clients:
            return  # it was let go of a moment ago
        try:
            if client.at is _At.TAKING:
                self._give(client)
            else:
                self._read(client)
        except BlockingIOError:
            return
        except OSError:
            self._let_go(client)

    def _read(self, client: _Client) -> None:
        said = client.line.recv(self._bounds.request_bytes + 1 - len(client.asked))
        if client.at is _At.WAITING or not said:
            # It hung up, or went on talking: what it asked goes its way, and there is nobody to answer.
            self._let_go(client)
            return
        client.asked += said
        end = client.asked.find(b"\n")
        if end < 0 and len(client.asked) <= self._bounds.request_bytes:
            return
        try:
            if not 0 <= end < self._bounds.request_bytes:
                raise RequestRefused(
                    f"The request is longer than {self._bounds.request_bytes} bytes. Nothing was done."
                )
            if end + 1 != len(client.asked):
                raise RequestRefused("One request a connection, and nothing after it. Nothing was done.")
            request = request_from_bytes(bytes(client.asked))
        except RequestRefused as refused:
            self._answer(client, Answer.refused(refused.code, str(refused)))
            return
        if client.beside and not _is_stop(request):
            _send_at_once(client.line, self._too_many())
            self._let_go(client)
            return
        self._hand_over(client, request)

    def _hand_over(self, client: _Client, request: Request) -> None:
        client.at, client.asked = _At.WAITING, bytearray()
        client.ends_mono_s = self._now_s() + self._bounds.answer_s
        if isinstance(request, ORDERS):
            _, uid, _ = struct.unpack("iII", client.line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
            self._say("notice", f"{in_words(request)}: asked for by user {uid}")
        try:
            self._take(request, self._answering(client))
        except Exception as fault:
            self._say("error", f"{in_words(request)}: it could not be taken: {fault!r}")
            text = "The daemon could not take this request. Whether anything was done shows: dosingd history"
            self._answer(client, Answer.failed("failed", text))

    def _drain(self) -> None:
        with suppress(BlockingIOError):
            self._wake_in.recv(4096)

    def _hand_out(self) -> None:
        while self._answers:
            client, said = self._answers.popleft()
            if client in self._clients and client.at is _At.WAITING:
                self._answer(client, said)

    def _answer(self, client: _Client, said: Answer) -> None:
        client.at = _At.TAKING
        client.ends_mono_s = self._now_s() + self._bounds.take_s
        client.answer = memoryview(self._bytes_of(said))
        self._selector.modify(client.line, selectors.EVENT_WRITE, client)
        try:
            self._give(client)  # most answers fit at once
        except BlockingIOError:
            return
        except OSError:
            self._let_go(client)

    def _bytes_of(self, said: Answer) -> bytes:
        try:
            line = bytes_of_answer(said)
        except (TypeError, ValueError) as fault:
            self._say("error", f"an answer could not be written as JSON: {fault}")
            return bytes_of_answer(Answer.failed("failed", "The daemon's answer could not be written down."))
        if len(line) > self._bounds.answer_bytes:
            text = f"The answer is longer than {self._bounds.answer_bytes} bytes. Ask for less of it."
            return bytes_of_answer(Answer.failed("too-long", text))
        return line

    def _give(self, client: _Client) -> None:
        client.answer = client.answer[client.line.send(client.answer) :]
        if not client.answer:
            self._let_go(client)

    def _end_late(self) -> None:
        now_s = self._now_s()
        for client in [each for each in self._clients if each.ends_mono_s <= now_s]:
            match client.at:
                case _At.ASKING:
                    text = f"No whole request came in {plain(self._bounds.send_s)} s. Nothing was done."
                    _send_at_once(client.line, Answer.refused("request", text))
                case _At.WAITING:
                    text = "The daemon found no answer in time. What was done shows: dosingd history"
                    _send_at_once(client.line, Answer.failed("late", text))
                case _At.TAKING:
                    pass
            self._let_go(client)

    def _let_go(self, client: _Client) -> None:
        self._clients.discard(client)
        self._selector.unregister(client.line)
        client.line.close()

    def _close(self) -> None:
        with suppress(Exception):
            self._hand_out()
        text = "The daemon stopped before it answered. What was done shows: dosingd history"
        for client in list(self._clients):
            if client.at is _At.WAITING:
                _send_at_once(client.line, Answer.failed("stopped", text))
            self._let_go(client)
        self._selector.close()
        with suppress(OSError):
            if _place_of(self._path) == self._lies:  # what else lies there now is not ours
                self._path.unlink()
        for line in (self._listener, self._wake_in, self._wake_out):
            line.close()


def _is_stop(request: Request) -> bool:
    return isinstance(request, Hold) or (isinstance(request, Pause) and request.for_s is not None)


def _place_of(path: Path) -> tuple[int, int] | None:
    try:
        lies = path.lstat()
    except OSError:
        return None
    return lies.st_dev, lies.st_ino


def _send_at_once(line: socket.socket, said: Answer) -> None:
    with suppress(OSError):  # whoever cannot take one short line now has lost it
        line.send(bytes_of_answer(said))
