"""How a verb asks the running daemon, and what it says when there is none."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

from dosingd.cli.wishes import wishes
from dosingd.control import CONTROL_NAME, ask
from dosingd.daemon.holder import holder
from dosingd.errors import NoDaemon, Silent, Told
from dosingd.requests import Answer, Request

#: For what the daemon answers at once.
AT_ONCE_S = 5.0
#: What must wait for the disk or for a run is begun within 10 s, or the daemon says that it is not.
SOON_S = 15.0
#: A run by hand is a minute at most.
RUN_S = 75.0
#: A page of history is read between two runs.
PAGE_S = 60.0


def answer_of(request: Request, timeout_s: float = SOON_S) -> Answer:
    """The daemon's answer, whatever it is. Raises NoDaemon, with the command that starts one, and Silent when there is
    one that cannot be spoken to."""
    state = wishes().state_directory()
    try:
        return ask(state / CONTROL_NAME, request, timeout_s)
    except NoDaemon as none:
        process = holder(state)
        if process is not None:
            raise Silent(cannot_be_asked(process)) from None
        raise NoDaemon(f"{none} Nothing was done: without it no pump can run.\nTo start it: {start(state)}") from None


def cannot_be_asked(process: int) -> str:
    """What is said of a daemon that holds the lock while nothing listens at its socket."""
    return (
        f"A daemon runs (process {process}) and cannot be spoken to. It may be dosing. To stop every pump: kill -TERM"
        f" {process}\nWhere the system's service runs it, it would start anew: sudo systemctl stop dosingd\nWas it"
        " started a moment ago? Then ask again; a lost socket is laid anew within a minute or two."
    )


def asked(request: Request, timeout_s: float = SOON_S) -> Answer:
    """The daemon's answer to what was done. Raises Told when it was refused or failed, NoDaemon when none runs."""
    answer = answer_of(request, timeout_s)
    if answer.status:
        raise told(answer)
    return answer


def told(answer: Answer) -> Told:
    """What the daemon refused, or failed to do, in its own words."""
    return Told(answer.text or "The daemon gave no reason.", answer.code or "refused", answer.status)


def start(state: Path) -> str:
    """The command that starts the daemon."""
    plan = wishes().plan_file(None)
    return f"dosingd run --plan {shlex.quote(str(plan))} --state {shlex.quote(str(state))}"


def on_terminal() -> bool:
    """Whether a person sits there and can be asked."""
    return not wishes().json and all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stderr))
