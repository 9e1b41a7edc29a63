"""Requests and answers on the wire: one JSON object each, on one line, in UTF-8, with the version `"v": 1`.

What comes over the wire is read strictly: every key once, none missing, none unknown, each of its own type. Whatever
else comes is a RequestRefused, in words.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, NoReturn

import attrs

from dosingd.errors import DosingError, RequestRefused
from dosingd.records import Into
from dosingd.requests.values import (
    Answer,
    Calibrate,
    Dose,
    History,
    Hold,
    Identify,
    Lengths,
    Pause,
    Prime,
    Refill,
    Release,
    Reload,
    Request,
    Resume,
    Retube,
    Status,
    Suspend,
    TestRun,
    refuse,
    shown,
)

#: The form of the lines. Another one is another version of the program, which must not be guessed at.
WIRE_VERSION = 1


def _kind(value: object) -> str:
    match value:
        case None:
            return "nothing"
        case bool():
            return "true or false"
        case int() | float():
            return "a number"
        case str():
            return "a text"
        case list():
            return "a list"
        case _:
            return "an object"


def _text(key: str, value: object) -> str:
    if not isinstance(value, str):
        refuse(f'"{key}" must be a text, and is {_kind(value)}.')
    return value


def _whole(key: str, value: object) -> int:
    if type(value) is not int:
        refuse(f'"{key}" must be a whole number, and is {_kind(value) if type(value) is not float else "a fraction"}.')
    return value


def _real(key: str, value: object) -> float:
    if type(value) not in (int, float):
        refuse(f'"{key}" must be a number, and is {_kind(value)}.')
    try:
        number = float(value)  # type: ignore[arg-type]
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        refuse(f'"{key}" is no number that can be counted with.')
    return number


def _truth(key: str, value: object) -> bool:
    if type(value) is not bool:
        refuse(f'"{key}" must be true or false, and is {_kind(value)}.')
    return value


def _instant(key: str, value: object) -> datetime:
    text = _text(key, value)
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        refuse(f'"{key}" is no time such as 2027-03-28T13:00+01:00: "{shown(text)}".')


def _into(key: str, value: object) -> Into:
    text = _text(key, value)
    if text not in set(Into):
        refuse(f'"{key}" must be cup or tank, and is "{shown(text)}".')
    return Into(text)


def _runs(key: str, value: object) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or not all(isinstance(each, list) and len(each) == 2 for each in value):
        refuse(f'"{key}" must be a list of pairs, seconds and microlitres.')
    return tuple((_real(key, seconds), _real(key, volume_ul)) for seconds, volume_ul in value)


def _seen(key: str, value: object) -> Mapping[str, tuple[str, str]]:
    if not isinstance(value, dict) or not all(isinstance(each, list) and len(each) == 2 for each in value.values()):
        refuse(f'"{key}" must be an object of pairs, a cup and a reservoir.')
    return {name: (_text(key, cup), _text(key, reservoir)) for name, (cup, reservoir) in value.items()}


_Read = Callable[[str, object], Any]


def _or_nothing(read: _Read) -> _Read:
    return lambda key, value: None if value is None else read(key, value)


#: Every key of every request, and how its value is read. A key may never be left out.
_FORMS: Mapping[type[Request], Mapping[str, _Read]] = {
    Status: {},
    History: {
        "since": _or_nothing(_instant),
        "channel": _or_nothing(_text),
        "after_seq": _whole,
        "limit": _whole,
    },
    Dose: {"channel": _text, "volume_ul": _whole},
    Prime: {"channel": _text, "volume_ul": _or_nothing(_whole), "into": _into},
    Hold: {"why": _or_nothing(_text)},
    Release: {"clock": _truth},
    Pause: {"for_s": _or_nothing(_real)},
    Reload: {"yes": _truth},
    Refill: {
        "channel": _text,
        "to_ul": _or_nothing(_whole),
        "found_ul": _or_nothing(_whole),
        "stock": _or_nothing(_text),
        "confirm": _truth,
        "yes": _truth,
    },
    Lengths: {"channel": _text},
    TestRun: {"channel": _text, "seconds": _or_nothing(_real), "volume_ul": _or_nothing(_whole)},
    Calibrate: {
        "channel": _text,
        "runs": _runs,
        "source": _text,
        "water_c": _or_nothing(_real),
        "density_kg_per_l": _or_nothing(_real),
    },
    Retube: {"channel": _text},
    Identify: {"seen": _seen},
    Suspend: {"channel": _text},
    Resume: {"channel": _text},
}
_BY_VERB: Mapping[str, type[Request]] = {kind.verb: kind for kind in _FORMS}


def request_from_bytes(line: bytes) -> Request:
    """The request that one line holds. Raises RequestRefused, in words, for everything that is none."""
    given = _object(line)
    _check_version(given)
    verb = given.get("verb")
    kind = _BY_VERB.get(verb) if isinstance(verb, str) else None
    if kind is None:
        refuse(f'"{shown(verb)}" is nothing that the daemon can be asked.')
    form = _FORMS[kind]
    unknown = given.keys() - form.keys() - {"v", "verb"}
    if unknown:
        refuse(f'"{shown(min(unknown))}" is no part of {kind.verb}.')
    missing = form.keys() - given.keys()
    if missing:
        refuse(f'{kind.verb}: "{min(missing)}" is missing.')
    return kind(**{key: read(key, given[key]) for key, read in form.items()})


def _check_version(given: Mapping[str, object]) -> None:
    version = given.get("v")
    if type(version) is not int or version != WIRE_VERSION:
        refuse(
            f'The request is of version "{shown(version)}" and this daemon of version {WIRE_VERSION}. '
            "Command and daemon are from different releases: restart the daemon after an upgrade."
        )


def _object(line: bytes) -> Mapping[str, object]:
    try:
        given = json.loads(line.decode("utf-8"), object_pairs_hook=_once_each, parse_constant=_no_constant)
    except RequestRefused:
        raise
    except (ValueError, RecursionError):  # no UTF-8, no JSON, a number of thousands of digits, brackets without end
        refuse("This is no request: one JSON object on one line, in UTF-8, was expected.")
    if not isinstance(given, dict):
        refuse("This is no request: it must be a JSON object.")
    return given


def _once_each(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        refuse("A key stands twice in the request.")
    return found


def _no_constant(name: str) -> NoReturn:
    refuse(f"{name} is no number that can be counted with.")


def bytes_of_request(request: Request) -> bytes:
    """The request as its line, with the line end."""
    values = {key: getattr(request, key) for key in _FORMS[type(request)]}
    return _line({"v": WIRE_VERSION, "verb": request.verb, **values})


def bytes_of_answer(answer: Answer) -> bytes:
    """The answer as its line, with the line end. Raises TypeError or ValueError for data that JSON cannot hold."""
    return _line({"v": WIRE_VERSION, **attrs.asdict(answer, recurse=False)})


def answer_from_bytes(line: bytes) -> Answer:
    """The answer that one line holds. Raises DosingError, in words, for everything that is none."""
    try:
        given = json.loads(line.decode("utf-8"))
        if not isinstance(given, dict) or given.pop("v", None) != WIRE_VERSION:
            raise ValueError
        if not isinstance(given.get("messages"), list):
            raise ValueError
        given["messages"] = tuple(given["messages"])
        if not _is_answer(given):
            raise ValueError
        return Answer(**given)
    except (KeyError, ValueError, TypeError, RecursionError):
        raise DosingError(
            "What the daemon answered cannot be read: command and daemon are from different releases. Restart the "
            "daemon after an upgrade. What was done shows: dosingd history"
        ) from None


def _is_answer(given: Mapping[str, object]) -> bool:
    status = given["status"]
    said = [given["code"], given["text"]]
    return (
        type(status) is int
        and status in (0, 1, 2)
        and isinstance(given["data"], dict)
        and isinstance(given["messages"], tuple)
        and all(isinstance(message, str) for message in given["messages"])
        and all(isinstance(each, str) or (each is None and status == 0) for each in said)
    )


def _line(value: Mapping[str, Any]) -> bytes:
    return (json.dumps(_plain(value), allow_nan=False, ensure_ascii=False, separators=(",", ":")) + "\n").encode(
        "utf-8", "replace"
    )


def _plain(value: Any) -> Any:
    """The value as JSON has it: what is unknown or endless is null, times are RFC 3339."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value
