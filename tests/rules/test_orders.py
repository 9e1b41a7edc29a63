"""R10: which orders are taken, once, and why the others are not."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from attrs import evolve
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dosingd.orders import (
    AHEAD_S,
    ANSWERS_AT_ONCE,
    IDS_KEPT,
    LINES_AT_ONCE,
    LONGEST_LIFE_S,
    MOST_BYTES,
    MOST_WAITING,
    ORDER_EVERY_S,
    ORDERS_AT_ONCE,
    STALE_S,
    Code,
    Order,
    Orders,
    Refused,
    read,
    untimely,
)
from dosingd.records import Reading
from dosingd.requests import Dose, Hold
from tests.daemon.child import CLOCK
from tests.mqtt.hostile import hostile, kinds

NOW_AT = datetime(2027, 3, 28, 12, 0, tzinfo=UTC)
NOW = Reading(NOW_AT, "boot-1", 5000.0, True)
BOTH = ("hold", "dose")


def order(verb: str = "dose", at_s: float = -1.0, expires_s: float = 30.0, **changed: object) -> dict[str, object]:
    made: dict[str, object] = {
        "id": "a-1",
        "at": (NOW_AT + timedelta(seconds=at_s)).isoformat(),
        "expires_at": (NOW_AT + timedelta(seconds=expires_s)).isoformat(),
        "verb": verb,
    }
    if verb == "dose":
        made |= {"channel": "alk", "volume": "2.5 mL"}
    return {key: value for key, value in (made | changed).items() if value is not ...}


def taken(what: object, orders: Orders | None = None, **how: Any) -> Order | Refused:
    payload = what if isinstance(what, bytes) else json.dumps(what).encode()
    how = dict[str, Any]({"retained": False, "allow": BOTH, "reading": NOW, "trusted": True} | how)
    return (Orders(()) if orders is None else orders).take(payload, **how)


def code(what: object, orders: Orders | None = None, **how: Any) -> Code:
    refused = taken(what, orders, **how)
    assert isinstance(refused, Refused), refused
    return refused.code


def test_a_dose_and_a_hold_are_read_as_a_person_would_ask_for_them() -> None:
    dose, hold = taken(order()), taken(order("hold"))
    assert isinstance(dose, Order)
    assert isinstance(hold, Order)
    assert dose.request == Dose("alk", 2500)
    assert hold.request == Hold("by an order from the broker, a-1")
    assert dose.at == NOW_AT - timedelta(seconds=1)
    assert (dose.row.id, dose.row.verb, dose.row.channel, dose.row.volume_ul) == ("a-1", "dose", "alk", 2500)
    assert (hold.row.verb, hold.row.channel, hold.row.volume_ul) == ("hold", None, None)
    assert isinstance(taken(order("hold", channel=None, volume=None)), Order)


def test_a_volume_is_rounded_down() -> None:
    dose = taken(order(volume="0.9999 uL"))
    assert isinstance(dose, Refused)
    dose = taken(order(volume="1.9999 uL"))
    assert isinstance(dose, Order)
    assert dose.request == Dose("alk", 1)


@pytest.mark.parametrize(
    ("what", "expected"),
    [
        (order(at_s=-STALE_S - 1), Code.STALE),
        (order(at_s=AHEAD_S + 1, expires_s=AHEAD_S + 2), Code.FUTURE),
        (order(at_s=-2, expires_s=0), Code.EXPIRED),
        (order(at_s=-2, expires_s=-1), Code.EXPIRED),
        (order(at_s=-1, expires_s=-1), Code.MALFORMED),
        (order(at_s=-1, expires_s=-2), Code.MALFORMED),
        (order(at_s=0, expires_s=LONGEST_LIFE_S + 1), Code.MALFORMED),
        (order(verb="release", channel=..., volume=...), Code.UNKNOWN),
        (order(force=True), Code.UNKNOWN),
        (order(volume=2.5), Code.MALFORMED),
        (order(volume="2.5"), Code.MALFORMED),
        (order(volume="2.5 dKH"), Code.MALFORMED),
        (order(volume="1001 mL"), Code.MALFORMED),
        (order(volume="0 mL"), Code.MALFORMED),
        (order(volume="1e2 mL"), Code.MALFORMED),
        (order(volume="1e999999999999 mL"), Code.MALFORMED),
        (order(volume=None), Code.MALFORMED),
        (order(channel=...), Code.MALFORMED),
        (order(channel="Alk"), Code.MALFORMED),
        (order("hold", channel="alk"), Code.MALFORMED),
        (order("hold", volume="1 mL"), Code.MALFORMED),
        (order(at=NOW_AT.replace(tzinfo=None).isoformat()), Code.MALFORMED),
        (order(at=1), Code.MALFORMED),
        (order(id=1), Code.MALFORMED),
        (b"", Code.MALFORMED),
        (b"[" * 1000, Code.MALFORMED),
        (b'{"id": "x", "id": "x"}', Code.MALFORMED),
        (b'{"id": NaN}', Code.MALFORMED),
        (b"\xff", Code.MALFORMED),
        (json.dumps(order()).encode() + b" " * MOST_BYTES, Code.OVERSIZED),
    ],
)
def test_what_is_not_an_order_for_now_is_refused_by_its_name(what: object, expected: Code) -> None:
    assert code(what) is expected


def test_the_bounds_of_the_times_belong_to_what_is_taken() -> None:
    for what in (order(at_s=-STALE_S), order(at_s=AHEAD_S), order(at_s=0, expires_s=LONGEST_LIFE_S)):
        assert isinstance(taken(what), Order)
    padded = json.dumps(order()).encode().ljust(MOST_BYTES)
    assert isinstance(taken(padded), Order)
    assert code(padded + b" ") is Code.OVERSIZED


@pytest.mark.parametrize("name", ["a/b", "+", "#", "a b", "", "a" * 65, "ä", "-a", ".", "a\n", "$a", "a\x00", "١"])
def test_an_id_can_never_lead_to_another_topic(name: str) -> None:
    refused = taken(order(id=name))
    assert isinstance(refused, Refused)
    assert (refused.code, refused.id) == (Code.MALFORMED, None)  # nobody to answer


def test_what_the_broker_kept_is_no_order() -> None:
    refused = taken(order(), retained=True)
    assert isinstance(refused, Refused)
    assert (refused.code, refused.id) == (Code.RETAINED, "a-1")
    assert code(b"{", retained=True) is Code.RETAINED


def test_without_a_trusted_clock_times_mean_nothing() -> None:
    assert code(order(), trusted=False) is Code.CLOCK
    assert code(order(at_s=-1e6, expires_s=-1e6 + 30), trusted=False) is Code.CLOCK


@pytest.mark.parametrize("at_s", [-1.0, -1e9, 1e9])
def test_without_a_trusted_clock_a_hold_is_taken_and_nothing_else_of_it_is_let_pass(at_s: float) -> None:
    def hold(**changed: object) -> dict[str, object]:
        return order("hold", at_s, at_s + 30, **changed)

    orders = Orders(())
    assert isinstance(taken(hold(), orders, trusted=False), Order)
    assert code(hold(), orders, trusted=False) is Code.REPEATED
    assert code(hold(id="b"), retained=True, trusted=False) is Code.RETAINED
    assert code(hold(id="b"), allow=("dose",), trusted=False) is Code.NOT_ALLOWED
    assert code(hold(id="b", expires_at=hold()["at"]), trusted=False) is Code.MALFORMED
    assert code(hold(id="b", why="x"), trusted=False) is Code.UNKNOWN
    found = [taken(hold(id=f"c-{number}"), orders, trusted=False) for number in range(2 * ORDERS_AT_ONCE)]
    assert sum(isinstance(one, Order) for one in found) == ORDERS_AT_ONCE - 1
    if at_s != -1.0:
        assert code(hold(id="d"), trusted=True) in (Code.STALE, Code.EXPIRED, Code.FUTURE)


def test_only_what_the_plan_names_is_allowed() -> None:
    assert code(order(), allow=("hold",)) is Code.NOT_ALLOWED
    assert code(order("hold"), allow=("dose",)) is Code.NOT_ALLOWED
    assert code(order(), allow=()) is Code.NOT_ALLOWED
    assert isinstance(taken(order("hold"), allow=("hold",)), Order)


def test_an_id_is_taken_once_whatever_else_the_order_says() -> None:
    orders = Orders(("from-before",))
    assert isinstance(taken(order(), orders), Order)
    assert code(order("hold"), orders) is Code.REPEATED
    assert code(order(id="from-before"), orders) is Code.REPEATED
    assert isinstance(taken(order(id="a-2"), orders), Order)


def test_a_refused_order_may_be_given_anew() -> None:
    orders = Orders(())
    assert code(order(), orders, trusted=False) is Code.CLOCK
    assert isinstance(taken(order(), orders), Order)


def test_the_memory_for_ids_is_bounded_and_the_newest_are_kept() -> None:
    orders = Orders(f"old-{number}" for number in range(IDS_KEPT))
    assert isinstance(taken(order(id="new"), orders), Order)
    assert code(order(id=f"old-{IDS_KEPT - 1}"), orders) is Code.REPEATED
    assert code(order(id="new"), orders) is Code.REPEATED
    assert isinstance(taken(order(id="old-0"), orders), Order)  # the ledger knows it


def later(seconds: float) -> Reading:
    return evolve(NOW, mono_s=NOW.mono_s + seconds)


def test_so_many_are_taken_and_no_more() -> None:
    orders = Orders(())
    found = [taken(order(id=f"a-{number}"), orders) for number in range(3 * ORDERS_AT_ONCE)]
    assert [isinstance(one, Order) for one in found] == [True] * ORDERS_AT_ONCE + [False] * 2 * ORDERS_AT_ONCE
    assert {one.code for one in found if isinstance(one, Refused)} == {Code.RATE}
    assert code(order(id="b"), orders, reading=later(ORDER_EVERY_S - 0.1)) is Code.RATE
    assert isinstance(taken(order(id="b"), orders, reading=later(ORDER_EVERY_S + 0.1)), Order)
    assert code(order(id="c"), orders, reading=later(ORDER_EVERY_S + 0.2)) is Code.RATE
    assert orders.counts() == {"taken": ORDERS_AT_ONCE + 1, "refused": {"rate": 2 * ORDERS_AT_ONCE + 2}}


@pytest.mark.parametrize(("flood", "other"), [("dose", "hold"), ("hold", "dose")])
def test_however_many_doses_are_ordered_a_hold_finds_its_place(flood: str, other: str) -> None:
    orders = Orders(())
    found = [taken(order(flood, id=f"a-{number}"), orders) for number in range(1000)]
    assert sum(isinstance(one, Order) for one in found) == ORDERS_AT_ONCE
    assert isinstance(taken(order(other, id="b"), orders), Order)


def test_what_is_refused_for_another_reason_takes_nobodys_place() -> None:
    orders = Orders(())
    for number in range(1000):
        code(order(id=f"x-{number}", at_s=-1000), orders)
    assert isinstance(taken(order(), orders), Order)


def test_only_so_many_doses_wait_for_the_pump_and_a_hold_waits_for_none() -> None:
    orders = Orders(())
    assert code(order(), orders, waiting=MOST_WAITING) is Code.BUSY
    assert isinstance(taken(order("hold", id="b"), orders, waiting=MOST_WAITING), Order)
    assert isinstance(taken(order(), orders, waiting=MOST_WAITING - 1), Order)


def test_answers_and_lines_are_fewer_than_a_flood() -> None:
    orders = Orders(())
    assert sum(orders.may_answer(NOW) for _ in range(10_000)) == ANSWERS_AT_ONCE
    assert sum(orders.may_tell(NOW) for _ in range(10_000)) == LINES_AT_ONCE
    assert orders.may_answer(later(3600))
    assert orders.may_tell(later(3600))


def test_an_order_that_waited_too_long_is_not_for_now_any_more() -> None:
    dose = taken(order())
    assert isinstance(dose, Order)
    assert untimely(dose, NOW, trusted=True) is None
    late = untimely(dose, evolve(NOW, wall_at=NOW_AT + timedelta(seconds=30)), trusted=True)
    assert late is not None
    assert late.code is Code.EXPIRED
    untrusted = untimely(dose, NOW, trusted=False)
    assert untrusted is not None
    assert untrusted.code is Code.CLOCK


# -- hostile ones ---------------------------------------------------------------------------------------------


def test_nothing_that_the_generator_makes_is_taken() -> None:
    seen: set[str] = set()
    codes: set[Code] = set()
    orders = Orders(())
    for message in hostile(1, 10_000):
        found = orders.take(message.payload, retained=message.retain, allow=BOTH, reading=CLOCK.now(), trusted=True)
        assert isinstance(found, Refused), message
        assert found.text.isprintable(), message
        assert len(found.text) < 400
        seen.add(message.kind)
        codes.add(found.code)
    assert seen == kinds()
    wanted = {Code.RETAINED, Code.OVERSIZED, Code.MALFORMED, Code.UNKNOWN, Code.FUTURE, Code.STALE, Code.EXPIRED}
    assert codes == wanted


_LEAF = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=40)
    | st.sampled_from(["a-1", "dose", "hold", "alk", "2.5 mL", order()["at"], order()["expires_at"]])
)  # fmt: skip
_KEY = st.sampled_from(["id", "at", "expires_at", "verb", "channel", "volume"]) | st.text(max_size=10)
_ANY = st.recursive(_LEAF, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_KEY, inner, max_size=7))


def plainly_good(payload: bytes) -> bool:
    """What an order must look like, said once more in another way."""
    try:
        given = json.loads(payload)
    except (ValueError, RecursionError):
        return False
    if not isinstance(given, dict) or not all(isinstance(given.get(key), str) for key in ("id", "at", "expires_at")):
        return False
    form = {"id", "at", "expires_at", "verb"}
    if given.get("verb") == "dose":
        whole = given.keys() == form | {"channel", "volume"} and given["channel"] == "alk"
        whole = (
            whole and isinstance(given["volume"], str) and re.match(r"[0-9.]+ ?[a-zA-Zµ]", given["volume"]) is not None
        )
    else:
        whole = given.get("verb") == "hold" and form <= given.keys() <= form | {"channel", "volume"}
        whole = whole and given.get("channel") is None and given.get("volume") is None
    return (
        whole
        and re.fullmatch(r"[a-zA-Z0-9.:_-]+", given["id"], re.ASCII) is not None
        and given["at"] == order()["at"]
        and given["expires_at"] == order()["expires_at"]
    )


@settings(max_examples=300, derandomize=True, deadline=None)
@given(_ANY | st.dictionaries(_KEY, _LEAF).map(lambda changed: order() | changed))
@example(order())
def test_only_what_is_plainly_an_order_is_taken(what: object) -> None:
    payload = json.dumps(what).encode()
    found = taken(payload)
    if isinstance(found, Order):
        assert plainly_good(payload)
    else:
        assert found.text.isprintable()


@settings(max_examples=300, derandomize=True, deadline=None)
@given(st.binary(max_size=2 * MOST_BYTES) | st.text(max_size=MOST_BYTES).map(lambda text: text.encode()), st.booleans())
def test_whatever_bytes_come_nothing_is_raised_and_nothing_is_taken(payload: bytes, retained: bool) -> None:
    assert isinstance(taken(payload, retained=retained), Refused)


@settings(max_examples=200, derandomize=True, deadline=None)
@given(st.integers(0, 400), st.integers(0, 255))
def test_one_changed_byte_makes_it_no_other_order_that_nobody_meant(place: int, value: int) -> None:
    text = bytearray(json.dumps(order()).encode())
    text[place % len(text)] = value
    found = read(bytes(text))
    if isinstance(found, Order):  # in the id, in a digit of a time or of the volume, or between the tokens
        assert isinstance(found.request, Dose)
        assert re.fullmatch(r"[0-9A-Za-z._:-]+", found.id)
