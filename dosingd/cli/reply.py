"""What a verb hands back, and how it reaches a person or a program.

With `--json` one object goes to standard output and nothing else does; messages go to standard error either way.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, TextIO

from attrs import frozen

DONE, FAILED, REFUSED = 0, 1, 2


@frozen
class Reply:
    """A verb's answer: the same facts for a program (`data`) and for a person (`text`)."""

    data: Mapping[str, Any]
    text: str
    status: int = DONE
    messages: Sequence[str] = ()


def plain(value: Any) -> Any:
    """The value as JSON has it: what is unknown or endless is null, and no float shows more than six decimals."""
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value


def make_streams_forgiving() -> None:
    """A terminal that cannot show a character shows another one; it never ends the program."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def put(stream: TextIO | None, text: str) -> None:
    """Write a text and a line end, and see it through to the reader. A stream that is closed or full is a reader that
    went away. Raises BrokenPipeError."""
    try:
        if stream is None:  # the shell closed it before we began
            raise BrokenPipeError
        stream.write(text.rstrip("\n") + "\n")
        stream.flush()
    except (OSError, ValueError) as fault:
        raise BrokenPipeError(str(fault)) from fault


def put_messages(messages: Sequence[str]) -> None:
    """Print messages to standard error: folded on a terminal, each on one line for whatever else reads them."""
    width = shutil.get_terminal_size().columns if sys.stderr is not None and sys.stderr.isatty() else 0
    put(
        sys.stderr, "\n".join(folded(line, width) if width else line for each in messages for line in each.splitlines())
    )


def folded(line: str, width: int = 80) -> str:
    """A line folded between words, what follows set in by two more columns."""
    indent = line[: len(line) - len(line.lstrip())]
    return textwrap.fill(line, width, subsequent_indent=indent + "  ", break_long_words=False, break_on_hyphens=False)


def fitted(text: str) -> str:
    """A text for standard output: on a terminal the lines that are too long for it are folded, but no table's."""
    if sys.stdout is None or not sys.stdout.isatty():
        return text
    width = max(40, shutil.get_terminal_size().columns)
    lines = text.split("\n")
    return "\n".join(line if len(line) <= width or _tabular(line) else folded(line, width) for line in lines)


def _tabular(line: str) -> bool:
    return "  " in line.strip()


def give(reply: Reply, as_json: bool) -> int:
    """Print a reply; returns the exit status."""
    if reply.messages:
        put_messages(reply.messages)
    if as_json:
        put(sys.stdout, json.dumps(plain(reply.data), allow_nan=False))
    elif reply.text:
        put(sys.stdout, fitted(reply.text))
    return reply.status


def give_refusal(code: str, message: str, status: int, as_json: bool) -> int:
    """Print why nothing was done; returns the exit status."""
    if as_json:
        put(sys.stdout, json.dumps({"error": {"code": code, "message": message}}))
    put_messages([message])
    return status


def reader_went_away() -> int:
    """The reader closed the pipe (`dosingd day … | head`). Nothing more can be said to it; returns the exit status."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is not None:
                stream.flush()
        except (OSError, ValueError):
            os.dup2(nowhere, stream.fileno())
    return FAILED
