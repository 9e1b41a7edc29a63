"""Events as canonical JSON and back, the columns of a row, and the hash that chains the rows.

The form is fixed by tables made once from the fields of each event, so that writing stays quick and strict: a float
where a whole number belongs, a naive time or an unknown key is an error, never a guess. Times inside a body are whole
microseconds since 1970 under a key that ends in `_us`; dates are ISO text.
"""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, timedelta
from enum import Enum
from hashlib import sha256
from operator import attrgetter
from typing import Any, NamedTuple

import attrs

from dosingd import records
from dosingd.records import Event, HeadRow, LimitsRow, Reading, Row

#: The names on disk. They outlive the names of the classes.
KINDS: Mapping[str, type] = {
    "ledger_made": records.LedgerMade,
    "plan_loaded": records.PlanLoaded,
    "calibrated": records.Calibrated,
    "calibration_doubted": records.CalibrationDoubted,
    "retubed": records.Retubed,
    "identified": records.Identified,
    "refilled": records.Refilled,
    "reserved": records.Reserved,
    "settled": records.Settled,
    "not_given": records.NotGiven,
    "held": records.Held,
    "released": records.Released,
    "paused": records.Paused,
    "started": records.Started,
    "stopped": records.Stopped,
    "stamp": records.Stamp,
    "clock_moved": records.ClockMoved,
    "clock_confirmed": records.ClockConfirmed,
    "switched": records.Switched,
    "ordered": records.Ordered,
}
KIND_OF: Mapping[type, str] = {cls: kind for kind, cls in KINDS.items()}

_EPOCH_AT = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)

#: Before the first row there is no hash to chain to.
NO_HASH = bytes(32)

_Coder = Callable[[Any], Any]


class Columns(NamedTuple):
    """A row as it lies in the table, without its hash."""

    seq: int
    kind: str
    wall_at_us: int
    boot_id: str
    mono_us: int
    synchronised: int
    proven_ms: int
    channel: str | None
    slot: str | None
    reservation: int | None
    body: str


def us_from_at(at: datetime) -> int:
    """Whole microseconds since 1970-01-01 00:00 UTC. Raises TypeError on a time without a zone."""
    return (at - _EPOCH_AT) // _US


def at_from_us(us: int) -> datetime:
    """The UTC time that lies this many microseconds after 1970-01-01 00:00 UTC."""
    return _EPOCH_AT + timedelta(microseconds=us)


def as_kept(reading: Reading) -> Reading:
    """The reading as the ledger can keep it: CLOCK_BOOTTIME in whole microseconds.

    Times are reckoned from this, so that figures derived again from the rows come out the same.
    """
    return attrs.evolve(reading, mono_s=round(reading.mono_s * 1_000_000) / 1_000_000)


def columns_of(row: Row) -> Columns:
    """A row's columns. Raises TypeError or ValueError for an event that cannot be kept exactly."""
    event, reading = row.event, row.reading
    kind = KIND_OF[type(event)]
    return Columns(
        row.seq,
        kind,
        us_from_at(reading.wall_at),
        reading.boot_id,
        round(reading.mono_s * 1_000_000),
        int(reading.synchronised),
        row.proven_ms,
        getattr(event, "channel", None),
        _slot_of(event),
        event.reservation if isinstance(event, records.Settled) else None,
        body_from_event(event),
    )


def _slot_of(event: Event) -> str | None:
    """What this row consumes for ever: a dose's slot, or an order's id. No dose's slot begins like an order's.

    A dose of which nothing was reserved is consumed by its day's account in the books, and not for ever: a day that a
    wrong clock went past comes again when the clock is right (`Books`, ClockConfirmed).
    """
    if isinstance(event, records.Ordered):
        return f"order:{event.id}"
    if isinstance(event, records.NotGiven) and event.day is not None:
        return None
    return event.slot if isinstance(event, records.Reserved | records.NotGiven) else None


def row_from_columns(columns: Columns) -> Row:
    """The row that these columns hold. Raises ValueError, TypeError or KeyError when they hold none."""
    reading = Reading(
        at_from_us(columns.wall_at_us), columns.boot_id, columns.mono_us / 1_000_000, bool(columns.synchronised)
    )
    return Row(columns.seq, reading, event_from_body(columns.kind, columns.body), columns.proven_ms)


def chained_hash(previous: bytes, columns: Columns) -> bytes:
    """SHA-256 over the previous row's hash and this row, one column a line, the body last.

    No column but the body can hold a line end (the schema sees to it) and JSON escapes those, so two different rows
    never make the same text.
    """
    seq, kind, wall_at_us, boot_id, mono_us, synchronised, proven_ms, channel, slot, reservation, body = columns
    text = (
        f"{seq}\n{kind}\n{wall_at_us}\n{boot_id}\n{mono_us}\n{synchronised}\n{proven_ms}\n"
        f"{channel or ''}\n{slot or ''}\n{reservation or ''}\n{body}"
    )
    return sha256(previous + text.encode()).digest()


def body_from_event(event: Event) -> str:
    """The event as canonical JSON: sorted keys, no spaces. Raises TypeError or ValueError when it does not fit."""
    return _encode_json(_FORMS[type(event)].encode(event))


def event_from_body(kind: str, body: str) -> Event:
    """The event that `body` holds. Raises KeyError for an unknown kind or key, TypeError or ValueError for the rest.

    A key that is absent takes the default of its field: it was written before the field was there.
    """
    return typing.cast(Event, _FORMS[KINDS[kind]].decode(json.loads(body)))


def _plain(value: Any) -> str:
    # The facts of a refusal are there to be read: a time among them is kept as text.
    if isinstance(value, datetime | date):
        return value.isoformat()
    raise TypeError(f"{value!r} cannot be kept in the ledger")


_encode_json = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False, default=_plain
).encode


class _Form:
    """How one class is written: its fields, the key of each, and what turns each value into JSON and back."""

    def __init__(self, cls: type) -> None:
        hints = typing.get_type_hints(cls)
        self._cls = cls
        self._names = [field.name for field in attrs.fields(cls)]
        codings = [_coding(hints[name]) for name in self._names]
        self._keys = [name + coding.suffix for name, coding in zip(self._names, codings, strict=True)]
        self._encoders = [coding.encode for coding in codings]
        self._decoders = {
            key: (name, coding.decode) for key, name, coding in zip(self._keys, self._names, codings, strict=True)
        }
        self._get: Callable[[Any], tuple[Any, ...]] = _values(self._names)

    def encode(self, value: Any) -> dict[str, Any]:
        if type(value) is not self._cls:
            raise TypeError(f"{value!r} is not a {self._cls.__name__}")
        try:
            return {
                key: encode(part)
                for key, encode, part in zip(self._keys, self._encoders, self._get(value), strict=True)
            }
        except TypeError as error:
            raise TypeError(f"{KIND_OF.get(self._cls, self._cls.__name__)}: {error}") from error

    def decode(self, kept: Mapping[str, Any]) -> Any:
        found: dict[str, Any] = {}
        for key, part in kept.items():
            name, decode = self._decoders[key]
            found[name] = decode(part)
        return self._cls(**found)


class _Coding(NamedTuple):
    encode: _Coder
    decode: _Coder
    suffix: str = ""


def _values(names: list[str]) -> Callable[[Any], tuple[Any, ...]]:
    if not names:
        return lambda _: ()
    if len(names) == 1:
        one = attrgetter(names[0])
        return lambda value: (one(value),)
    return attrgetter(*names)


def _whole(value: Any) -> int:
    if type(value) is not int:
        raise TypeError(f"{value!r} is not a whole number")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is not text")
    return value


def _truth(value: Any) -> bool:
    if type(value) is not bool:
        raise TypeError(f"{value!r} is neither true nor false")
    return value


def _real(value: Any) -> float:
    if type(value) not in (float, int):
        raise TypeError(f"{value!r} is not a number")
    return float(value)


def _day(value: Any) -> str:
    if type(value) is not date:
        raise TypeError(f"{value!r} is not a date")
    return value.isoformat()


def _same(value: Any) -> Any:
    return value


def _coding(hint: Any) -> _Coding:
    """How values of this type are written and read. Raises TypeError for a type that the ledger cannot keep."""
    simple: Mapping[Any, _Coding] = {
        int: _Coding(_whole, _whole),
        str: _Coding(_text, _text),
        bool: _Coding(_truth, _truth),
        float: _Coding(_real, _real),
        Any: _Coding(_same, _same),
        datetime: _Coding(us_from_at, lambda kept: at_from_us(_whole(kept)), "_us"),
        date: _Coding(_day, date.fromisoformat),
    }
    if hint in simple:
        return simple[hint]
    if isinstance(hint, type) and issubclass(hint, Enum):
        return _Coding(lambda value: hint(value).value, hint)
    if hint in (LimitsRow, HeadRow):
        form = _Form(hint)
        return _Coding(form.encode, form.decode)
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union) and arguments[1:] == (type(None),):
        return _optional(_coding(arguments[0]))
    if isinstance(origin, type) and issubclass(origin, Mapping) and arguments[0] is str:
        return _mapping(_coding(arguments[1]))
    if origin is tuple:
        return _tuple(_coding(arguments[0]))
    raise TypeError(f"the ledger has no form for {hint!r}")


def _optional(inner: _Coding) -> _Coding:
    return _Coding(
        lambda value: None if value is None else inner.encode(value),
        lambda kept: None if kept is None else inner.decode(kept),
        inner.suffix,
    )


def _mapping(inner: _Coding) -> _Coding:
    encode, decode = inner.encode, inner.decode
    return _Coding(
        lambda value: {_text(key): encode(part) for key, part in value.items()},
        lambda kept: {key: decode(part) for key, part in kept.items()},
    )


def _tuple(inner: _Coding) -> _Coding:
    return _Coding(
        lambda value: [inner.encode(part) for part in value],
        lambda kept: tuple(inner.decode(part) for part in kept),
    )


_FORMS: Mapping[type, _Form] = {cls: _Form(cls) for cls in KINDS.values()}
