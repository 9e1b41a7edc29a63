"""Messages as hostile, broken and forgotten senders make them, by a seeded generator: none of them is a good order.

Each is made of a good order of that moment with one thing wrong, or of no order at all. What is wrong is named, so that
a test can say that every kind came.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

from attrs import frozen

from tests.daemon.child import CLOCK
from tests.mqtt.ordering import order


@frozen
class Hostile:
    kind: str
    payload: bytes
    retain: bool = False


_WRONG: tuple[object, ...] = (
    None, True, False, 0, 1, -1, 0.5, 1e300, [], {}, "", " ", "\x00", "\u202e", "a" * 65, ["alk"], {"id": "x"},
    "../order", "x/y", "#", "+", "a b", "ä", "-x", "$SYS", "\n", "١", 10**40,
)  # fmt: skip
_VOLUMES: tuple[object, ...] = (
    "1e999999999 mL",
    "0.1", "0.1 L/min", "-0.1 mL", "0 mL", "1e3 mL", "0,1 mL", "0x10 mL", "inf mL", "NaN mL", "1/0 mL", "0.1 mL 0.1 mL",
    "10**9 mL", "9" * 31, "1" * 40 + " mL", "1 dKH", "1 s", "mL", "0.1 mL\n", "1001 mL", "0.0001 mL", "٣ mL", "1_0 mL",
    "100 %", "${volume}", "__import__('os')", 0.1, 100, True, None, ["0.1 mL"], {"ml": 0.1},
)  # fmt: skip
_VERBS: tuple[object, ...] = (
    "Dose", "DOSE", "dose ", " dose", "prime", "release", "reload", "pause", "status", "calibrate", "refill", "retube",
    "identify", "suspend", "resume", "history", "test-run", "init", "exec", "dose\x00", "d\u043ese", "hold;dose", 0,
    None, True, ["dose"], {"verb": "dose"},
)  # fmt: skip
_TIMES: tuple[object, ...] = (
    "now", "", "0", "2026", "2026-01-01", "2026-01-01T00:00:00", "2026-01-01 00:00:00Z", "20260101T000000Z",
    "2026-W01-1T00:00:00Z", "2026-02-30T00:00:00Z", "2026-01-01T24:00:00Z", "2026-01-01T23:59:60Z",
    "0000-01-01T00:00:00Z", "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "2026-01-01T00:00:00+25:00",
    "2026-01-01T00:00:00z", "٢٠٢٦-01-01T00:00:00Z", 1_800_000_000, 1.8e9, None, True, [], "2026-01-01T00:00:00Z\n",
)  # fmt: skip
_BYTES: tuple[bytes, ...] = (
    b"",
    b" ", b"{", b"}", b"[]", b"null", b"true", b"1", b'"hold"', b"hold", b"dose alk 0.1 mL", b"\xff\xfe{}", b"\x00",
    b"\xef\xbb\xbf{}", b"{}{}", b"[" * 1000, b'{"a":' * 200, b"1" * 1024, b"NaN", b"Infinity", b'{"id":NaN}',
    b'{"verb":"hold"}', b'{"id":"x","verb":"hold"}', b"<order/>", b"id: x\nverb: hold\n", b"\x80\x04\x95hold.",
)  # fmt: skip


def _changed(key: str, value: object, verb: str = "dose") -> bytes:
    changed = {**order(verb), key: value}
    return json.dumps({key: value for key, value in changed.items() if value is not ...}).encode()


def _wrong_type(chance: random.Random) -> bytes:
    key = chance.choice(["id", "at", "expires_at", "verb", "channel", "volume"])
    return _changed(key, chance.choice(_WRONG))


def _times(chance: random.Random) -> bytes:
    return _changed(chance.choice(["at", "expires_at"]), chance.choice(_TIMES), chance.choice(["hold", "dose"]))


def _shifted(at_s: float, expires_s: float, verb: str) -> bytes:
    now_at = CLOCK.now().wall_at
    at, expires_at = (now_at + timedelta(seconds=shift_s) for shift_s in (at_s, expires_s))
    return json.dumps(order(verb, at=at.isoformat(), expires_at=expires_at.isoformat())).encode()


def _stale(chance: random.Random) -> bytes:
    age_s = 10 ** chance.uniform(1.9, 8)
    return _shifted(-age_s, -age_s + min(3600, age_s + chance.uniform(20, 600)), chance.choice(["hold", "dose"]))


def _expired(chance: random.Random) -> bytes:
    age_s = chance.uniform(1, 50)
    return _shifted(-age_s, -age_s * chance.uniform(0.01, 0.99), chance.choice(["hold", "dose"]))


def _future(chance: random.Random) -> bytes:
    ahead_s = 10 ** chance.uniform(1.5, 8)
    return _shifted(ahead_s, ahead_s + chance.uniform(1, 3000), chance.choice(["hold", "dose"]))


def _backwards(chance: random.Random) -> bytes:
    return _shifted(-1, chance.choice([-1, -2, -30]), chance.choice(["hold", "dose"]))


def _endless(chance: random.Random) -> bytes:
    return _shifted(-1, chance.choice([3700, 86_400, 10**8, 10**10]), chance.choice(["hold", "dose"]))


def _unknown_key(chance: random.Random) -> bytes:
    key = chance.choice(["into", "force", "volume_ul", "Verb", "id ", "", "why", "slot", "__proto__", "\u0000", "at\n"])
    return _changed(key, chance.choice(["tank", True, None, 1]), chance.choice(["hold", "dose"]))


def _missing_key(chance: random.Random) -> bytes:
    return _changed(chance.choice(["id", "at", "expires_at", "verb", "channel", "volume"]), ...)


def _doubled_key(chance: random.Random) -> bytes:
    text = json.dumps(order(chance.choice(["hold", "dose"])))
    key = chance.choice(["id", "at", "expires_at", "verb", "channel", "volume"])
    value = json.dumps(json.loads(text)[key])
    return f'{{"{key}": {value}, {text[1:]}'.encode()


def _oversized(chance: random.Random) -> bytes:
    text = json.dumps(order(chance.choice(["hold", "dose"]))).encode()
    return text + b" " * chance.choice([1_000, 10_000, 100_000])


def _cut(chance: random.Random) -> bytes:
    text = json.dumps(order(chance.choice(["hold", "dose"]))).encode()
    end: int = chance.randrange(len(text))
    return text[:end]


def _broken(chance: random.Random) -> bytes:
    """Some bytes of a good order replaced by ones that no JSON text holds anywhere."""
    text = bytearray(json.dumps(order(chance.choice(["hold", "dose"]))).encode())
    for _ in range(chance.randint(1, 8)):
        text[chance.randrange(len(text))] = chance.choice([0x00, 0x01, 0x0A, 0x1F, 0x80, 0xC0, 0xFF])
    text[chance.randrange(len(text))] = 0xFF
    return bytes(text)


_KINDS: dict[str, Callable[[random.Random], bytes]] = {
    "bytes": lambda chance: chance.choice(_BYTES),
    "noise": lambda chance: chance.randbytes(chance.randrange(1, 2000)),
    "wrong type": _wrong_type,
    "verb": lambda chance: _changed("verb", chance.choice(_VERBS)),
    "volume": lambda chance: _changed("volume", chance.choice(_VOLUMES)),
    "channel": lambda chance: _changed(
        "channel", chance.choice(["ALK", "alk/ca", "", "#", "../alk", 1, None, "alk" * 20, ["alk"], "al\u043a", "alk "])
    ),
    "hold with more": lambda chance: _changed(*chance.choice([("channel", "alk"), ("volume", "1 mL")]), "hold"),
    "times": _times,
    "stale": _stale,
    "expired": _expired,
    "future": _future,
    "backwards": _backwards,
    "endless": _endless,
    "unknown key": _unknown_key,
    "missing key": _missing_key,
    "doubled key": _doubled_key,
    "oversized": _oversized,
    "cut": _cut,
    "broken": _broken,
    "number": lambda chance: json.dumps(order()).encode().replace(
        b'"0.1 mL"', chance.choice([b"NaN", b"Infinity", b"-Infinity", b"1e999", b"9" * 900, b"0.1", b"-0"])
    ),
    "surrogate": lambda chance: json.dumps(order()).encode().replace(
        b'"alk"', chance.choice([rb'"\ud800"', rb'"alk\udfff"', b'"\xed\xa0\x80"'])
    ),
}  # fmt: skip


def hostile(seed: int, count: int) -> Iterator[Hostile]:
    """So many messages, of every kind in turn, and with some of them a good order that was kept by the broker."""
    chance = random.Random(seed)
    kinds: list[tuple[str, Any]] = list(_KINDS.items())
    for number in range(count):
        kind, make = kinds[number % len(kinds)]
        yield Hostile(kind, make(chance), retain=chance.random() < 0.02)


def kinds() -> set[str]:
    return set(_KINDS)
