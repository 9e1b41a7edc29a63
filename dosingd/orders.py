"""Orders from the broker, read as if whoever sent them meant harm (R10).

Anybody who knows a password of the broker can send anything, and brokers keep, repeat and delay what they are sent. So
an order is one small JSON object of texts alone, names itself, says when it was given and until when it holds, and is
taken at most once:
- one that a broker kept for whoever subscribes (retained) is none, whatever it says;
- its times mean something only by a trusted clock, and an order is for now: one from long ago or ahead is none;
- its id is remembered before it is carried out, and by the ledger for ever;
- so many are taken and no more, however many come, and answers are fewer than orders.
To hold is what makes a rig safer, so doses keep no hold out, and a clock that nobody trusts does not either.
What is taken asks for what a person at the rig may ask for, within the same limits, and for no more.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any, NoReturn

from attrs import define, field, frozen

from dosingd.errors import RequestRefused, UnitRefused
from dosingd.records import Ordered, Reading
from dosingd.requests import Dose, Hold
from dosingd.units import volume_ul
from dosingd.words import plain

#: The longest order that can be meant is a quarter of this.
MOST_BYTES = 1024
#: An order is given by somebody who waits for its answer. Older than this it was kept or held up on the way, and
#: nobody knows what has happened to the tank since.
STALE_S = 60.0
#: How far the sender's clock may be ahead of the rig's; both are kept by the network.
AHEAD_S = 10.0
#: The longest time that an order may give itself.
LONGEST_LIFE_S = 3600.0
#: Ids remembered at hand: more than can be taken within the longest life of one. The ledger knows the older ones too.
IDS_KEPT = 1000
#: So many of a verb may come at once, as when a person tries something out, and then one every so many seconds: each is
#: two rows of the ledger or more, and a script that runs wild must not fill the disk.
ORDERS_AT_ONCE, ORDER_EVERY_S = 10, 30.0
#: Doses that may wait for the pump; whoever gives more has to wait for the first.
MOST_WAITING = 3
#: Refusals that are answered: a flood must not make another one.
ANSWERS_AT_ONCE, ANSWER_EVERY_S = 20, 1.0
#: Refusals that are written into the log one by one; the rest is counted.
LINES_AT_ONCE, LINE_EVERY_S = 10, 60.0

_RETAINED = (
    "It was published to be kept (retained), and an order is never kept. To take it off the broker, publish an empty"
    " retained message on its topic."
)
_TAKEN_OFF = "It is empty: what the broker kept there was taken off."

VERBS = ("hold", "dose")
_NEEDED = ("id", "at", "expires_at", "verb")
_KEYS = frozenset((*_NEEDED, "channel", "volume"))
#: It becomes a level of a topic, so it has no slash, no wildcard and no character that is not ASCII.
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:-]{0,63}")
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?(Z|[+-][0-9]{2}:[0-9]{2})")
#: Narrower than a plan's: no sign, no power of ten, no unit that needs more than letters.
_VOLUME = re.compile(r"[0-9]{1,7}(\.[0-9]{1,6})? ?[A-Za-z]{1,20}")


class Code(StrEnum):
    """Why an order was not taken."""

    RETAINED = "retained"
    OVERSIZED = "oversized"
    MALFORMED = "malformed"
    UNKNOWN = "unknown"
    NOT_ALLOWED = "not-allowed"
    CLOCK = "clock"
    FUTURE = "future"
    STALE = "stale"
    EXPIRED = "expired"
    REPEATED = "repeated"
    RATE = "rate"
    BUSY = "busy"
    FAULT = "failed"


@frozen
class Order:
    """An order that can be read. Whether it is taken depends on the time, on its id and on the plan."""

    id: str
    request: Dose | Hold
    at: datetime
    expires_at: datetime

    @property
    def row(self) -> Ordered:
        """What the ledger keeps of it."""
        dose = self.request if isinstance(self.request, Dose) else None
        return Ordered(
            self.id,
            self.request.verb,
            None if dose is None else dose.channel,
            None if dose is None else dose.volume_ul,
            self.at,
            self.expires_at,
        )


@frozen
class Refused:
    """Nothing was done, and why. Without an id nobody can be answered."""

    code: Code
    text: str
    id: str | None = None


class _Unreadable(Exception):
    def __init__(self, code: Code, text: str) -> None:
        self.code, self.text = code, text


def read(payload: bytes) -> Order | Refused:
    """The order that a message holds, or why it holds none."""
    if len(payload) > MOST_BYTES:
        return Refused(Code.OVERSIZED, f"An order has {MOST_BYTES} bytes at most, and this has {len(payload)}.")
    name = None
    try:
        given = _object(payload)
        name = _id(given)
        return _order(name, given)
    except _Unreadable as why:
        return Refused(why.code, why.text, name)
    except (RequestRefused, UnitRefused) as why:
        return Refused(Code.MALFORMED, str(why).removesuffix(" Nothing was done."), name)


def untimely(order: Order, reading: Reading, *, trusted: bool) -> Refused | None:
    """Why an order is not for now; None when it is. Without a trusted clock nobody knows, and then a dose is not given,
    but a hold is taken: a rig that has just started must not be the one that cannot be stopped."""
    if not trusted:
        if isinstance(order.request, Hold):
            return None
        return Refused(Code.CLOCK, "The rig's clock is not trusted, so the times of an order mean nothing.", order.id)
    now_at = reading.wall_at
    ahead_s, age_s = (order.at - now_at).total_seconds(), (now_at - order.at).total_seconds()
    if ahead_s > AHEAD_S:
        text = f"It is from {_seconds(ahead_s)} ahead of the rig's clock; {plain(AHEAD_S)} s at most."
        return Refused(Code.FUTURE, f"{text} Set the sender's clock.", order.id)
    if now_at >= order.expires_at:
        late_s = (now_at - order.expires_at).total_seconds()
        return Refused(Code.EXPIRED, f"It expired {_seconds(late_s)} ago by the rig's clock.", order.id)
    if age_s > STALE_S:
        text = f"It is {_seconds(age_s)} old by the rig's clock; {plain(STALE_S)} s at most."
        return Refused(Code.STALE, f"{text} Give it anew.", order.id)
    return None


@define
class _Pace:
    """So many at once, then one every so many seconds."""

    at_once: int
    every_s: float
    _spent: float = 0.0
    _mono_s: float = 0.0

    def allows(self, mono_s: float) -> bool:
        self._spent = max(0.0, self._spent - max(0.0, mono_s - self._mono_s) / self.every_s)
        self._mono_s = mono_s
        if self._spent > self.at_once - 1:
            return False
        self._spent += 1
        return True


def _seen(ids: Iterable[str]) -> dict[str, None]:
    return dict.fromkeys(ids)


@define
class Orders:
    """What has come so far: ids, paces and counts. It belongs to one thread."""

    _ids: dict[str, None] = field(converter=_seen)  #: taken before, oldest first
    taken: int = 0
    refused: Counter[Code] = field(factory=Counter)
    #: One for each verb: however many doses are ordered, a hold finds its place.
    _paces: dict[str, _Pace] = field(
        init=False, factory=lambda: {verb: _Pace(ORDERS_AT_ONCE, ORDER_EVERY_S) for verb in VERBS}
    )
    _answers: _Pace = field(init=False, factory=lambda: _Pace(ANSWERS_AT_ONCE, ANSWER_EVERY_S))
    _lines: _Pace = field(init=False, factory=lambda: _Pace(LINES_AT_ONCE, LINE_EVERY_S))

    def take(
        self,
        payload: bytes,
        *,
        retained: bool,
        allow: Collection[str],
        reading: Reading,
        trusted: bool,
        waiting: int = 0,
    ) -> Order | Refused:
        """One message: the order, once and never again, or why not. Whatever it holds, nothing is raised. `waiting`
        doses were taken and are not given yet."""
        order = read(payload)
        if retained:
            order = Refused(Code.RETAINED, _RETAINED if payload else _TAKEN_OFF, order.id)
        if isinstance(order, Order):
            order = self._refusal(order, allow, reading, trusted, waiting) or order
        if isinstance(order, Refused):
            self.refused[order.code] += 1
            return order
        self.taken += 1
        self._ids[order.id] = None
        while len(self._ids) > IDS_KEPT:
            del self._ids[next(iter(self._ids))]
        return order

    def _refusal(
        self, order: Order, allow: Collection[str], reading: Reading, trusted: bool, waiting: int
    ) -> Refused | None:
        if order.request.verb not in allow:
            text = f"The plan does not allow {order.request.verb} from the broker (mqtt.orders)."
            return Refused(Code.NOT_ALLOWED, text, order.id)
        if order.id in self._ids:
            return repeated(order)
        refused = untimely(order, reading, trusted=trusted)
        if refused is None and waiting >= MOST_WAITING and isinstance(order.request, Dose):
            return Refused(Code.BUSY, f"{waiting} doses are waiting for the pump. Give it anew later.", order.id)
        verb = order.request.verb
        if refused is None and not self._paces[verb].allows(reading.mono_s):
            text = f"Too many orders to {verb}: {ORDERS_AT_ONCE} at once, then one every {ORDER_EVERY_S:.0f} s."
            text += " Give it anew later."
            return Refused(Code.RATE, text, order.id)
        return refused

    def may_answer(self, reading: Reading) -> bool:
        """Whether a refusal is answered."""
        return self._answers.allows(reading.mono_s)

    def may_tell(self, reading: Reading) -> bool:
        """Whether a refusal is worth a line of the log of its own."""
        return self._lines.allows(reading.mono_s)

    def counts(self) -> dict[str, Any]:
        """What came since the daemon started, as it is told to the broker."""
        return {"taken": self.taken, "refused": {str(code): count for code, count in sorted(self.refused.items())}}


def repeated(order: Order) -> Refused:
    """An id is used once."""
    return Refused(Code.REPEATED, "An order with this id was taken before, and none is carried out twice.", order.id)


# -- the message ---------------------------------------------------------------------------------------------


def _malformed(text: str) -> NoReturn:
    raise _Unreadable(Code.MALFORMED, text)


def _object(payload: bytes) -> Mapping[str, object]:
    try:
        given = json.loads(payload.decode("utf-8"), object_pairs_hook=_once_each)
    except (ValueError, RecursionError):  # no UTF-8, no JSON, a number of thousands of digits, brackets without end
        _malformed("It is not one JSON object in UTF-8.")
    if not isinstance(given, dict):
        _malformed("It is not one JSON object in UTF-8.")
    return given


def _once_each(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        _malformed("A key stands in it twice.")
    return found


def _id(given: Mapping[str, object]) -> str:
    name = given.get("id")
    if not isinstance(name, str) or not _ID.fullmatch(name):
        _malformed("Its id is not 1 to 64 letters, digits and . _ : - beginning with a letter or a digit.")
    return name


def _order(name: str, given: Mapping[str, object]) -> Order:
    unknown = given.keys() - _KEYS
    if unknown:
        raise _Unreadable(Code.UNKNOWN, f'"{_shown(min(unknown))}" is no part of an order.')
    missing = [key for key in _NEEDED if key not in given]
    if missing:
        _malformed(f'"{missing[0]}" is missing.')
    verb = _text(given, "verb")
    if verb not in VERBS:
        raise _Unreadable(Code.UNKNOWN, f'"{_shown(verb)}" cannot be ordered: {" and ".join(VERBS)} can.')
    at, expires_at = _instant(given, "at"), _instant(given, "expires_at")
    life_s = (expires_at - at).total_seconds()
    if life_s <= 0:
        _malformed("It expires before it was given.")
    if life_s > LONGEST_LIFE_S:
        _malformed(f"It expires {_seconds(life_s)} after it was given; {plain(LONGEST_LIFE_S / 60)} min at most.")
    if verb == "hold":
        if given.get("channel") is not None or given.get("volume") is not None:
            _malformed("hold is of the whole rig: it has no channel and no volume.")
        return Order(name, Hold(f"by an order from the broker, {name}"), at, expires_at)
    channel, volume = _text(given, "channel"), _text(given, "volume")
    if not _VOLUME.fullmatch(volume):
        _malformed('"volume" is no plain number with its unit, such as "0.5 mL".')
    return Order(name, Dose(channel, volume_ul(volume)), at, expires_at)


def _text(given: Mapping[str, object], key: str) -> str:
    value = given.get(key)
    if not isinstance(value, str):
        _malformed(f'"{key}" must be a text{", such as 0.5 mL" if key == "volume" else ""}.')
    return value


def _instant(given: Mapping[str, object], key: str) -> datetime:
    text = _text(given, key)
    if not _TIME.fullmatch(text):
        _malformed(f'"{key}" is no time of RFC 3339 with its offset, such as 2027-03-28T12:00:00Z.')
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        _malformed(f'"{key}" is no time that there is.')


def _shown(text: str) -> str:
    """At most 40 characters of what came, none that could harm a terminal or a log."""
    return "".join(character if character.isprintable() else "?" for character in text[:40])


def _seconds(seconds: float) -> str:
    whole = timedelta(seconds=round(seconds))
    return f"{seconds:.0f} s" if seconds < 600 else f"{whole}"
