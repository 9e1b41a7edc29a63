"""The command line's end of the socket: one request, one answer, within a time."""

from __future__ import annotations

import socket
import struct
from contextlib import suppress
from pathlib import Path

from dosingd.clock import Clock, SystemClock
from dosingd.control.place import reaching, through
from dosingd.control.server import LONGEST_ANSWER
from dosingd.errors import DosingError, NoDaemon, NoEntry
from dosingd.requests import ORDERS, Answer, Request, answer_from_bytes, bytes_of_request
from dosingd.words import plain


def ask(path: Path, request: Request, timeout_s: float) -> Answer:
    """What the daemon whose socket lies at `path` answers within so many seconds.

    Raises NoDaemon when nothing listens there, NoEntry when this account may not, and DosingError when no answer came.
    """
    clock = SystemClock()
    ends_mono_s = clock.now().mono_s + timeout_s
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        _connect(line, path, timeout_s)
        try:
            said = _exchanged(line, bytes_of_request(request), clock, ends_mono_s)
        except TimeoutError:
            raise DosingError(f"The daemon did not answer in {plain(timeout_s)} s. {_what_became(request)}") from None
        except OSError as fault:
            raise DosingError(f"The call to the daemon broke off: {fault}. {_what_became(request)}") from fault
    if not said.endswith(b"\n"):
        raise DosingError(f"The daemon hung up before it had answered. {_what_became(request)}")
    return answer_from_bytes(said)


def _exchanged(line: socket.socket, request: bytes, clock: Clock, ends_mono_s: float) -> bytes:
    """What came back, to its line end or until the other side hung up. Raises TimeoutError."""

    def limit() -> None:
        left_s = ends_mono_s - clock.now().mono_s
        if left_s <= 0:
            raise TimeoutError
        line.settimeout(left_s)

    # A daemon that has no room says so and hangs up: its answer is there to be read although the request is not.
    with suppress(BrokenPipeError, ConnectionResetError):
        limit()
        line.sendall(request)
    said = bytearray()
    with suppress(ConnectionResetError):
        while not said.endswith(b"\n") and len(said) <= LONGEST_ANSWER:
            limit()
            part = line.recv(65536)
            if not part:
                break
            said += part
    return bytes(said)


def _what_became(request: Request) -> str:
    if isinstance(request, ORDERS):
        return "The request was handed over; whether it was carried out shows: dosingd history"
    return "Nothing was changed. Is it alive, and is the machine very busy? To see its log: journalctl -u dosingd"


def _connect(line: socket.socket, path: Path, timeout_s: float) -> None:
    _limit_connecting(line, timeout_s)
    try:
        with reaching(path.parent) as place:
            line.connect(through(place, path.name))
    except (FileNotFoundError, ConnectionRefusedError, NotADirectoryError):
        raise NoDaemon(f"No daemon runs with the state directory {path.parent}.") from None
    except PermissionError:
        raise NoEntry(
            f"{path}: this account may not speak with the daemon. Nothing was done. Use the daemon's account, or one "
            "of the socket's group."
        ) from None
    except BlockingIOError:
        raise DosingError(
            f"The daemon took no call in {plain(timeout_s)} s. Nothing was done. To see its log: journalctl -u dosingd"
        ) from None


def _limit_connecting(line: socket.socket, timeout_s: float) -> None:
    """Wait so long for a place in the daemon's queue. Python's own timeout does not wait for one at all, and asking
    again and again loses it to whoever waits in the kernel (connect(2), EAGAIN; socket(7), SO_SNDTIMEO)."""
    whole = int(timeout_s)
    parts = whole, int((timeout_s - whole) * 1_000_000)
    try:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, struct.pack("ll", *parts))
    except OSError:  # 32 bits with 64-bit times: the same option in wider fields
        line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, struct.pack("qq", *parts))
