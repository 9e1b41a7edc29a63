"""Events come back as they went in, and nothing that is not exact goes in."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any, get_args

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.ledger.rows import (
    KINDS,
    NO_HASH,
    Columns,
    as_kept,
    at_from_us,
    body_from_event,
    chained_hash,
    columns_of,
    event_from_body,
    row_from_columns,
    us_from_at,
)
from dosingd.records import Calibrated, Event, Held, Into, NotGiven, Outcome, Purpose, Reading, Reserved, Row, Settled
from tests.ledger.ledgers import EVERY_EVENT, NOON_AT, reading, reserved, settled

_TEXT = st.text(max_size=20)
_WHOLE = st.integers(-(2**53), 2**53)
_WHOLES = st.dictionaries(_TEXT, _WHOLE, max_size=3)
_AT = st.datetimes(datetime(1970, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - zone beside it
_PLAIN = st.none() | st.booleans() | _WHOLE | st.floats(allow_nan=False, allow_infinity=False) | _TEXT
_RESERVED = st.builds(
    Reserved,
    channel=_TEXT,
    purpose=st.sampled_from(Purpose),
    into=st.sampled_from(Into),
    asked_ul=_WHOLE,
    reserved_ul=_WHOLE,
    run_ms=_WHOLE,
    lease_ms=_WHOLE,
    nominal_ul_per_s=st.floats(allow_nan=False, allow_infinity=False),
    change_umol=_WHOLES,
    slot=st.none() | _TEXT,
    due_at=st.none() | _AT,
    day=st.none() | st.dates(),
    levels=_WHOLES,
)
_NOT_GIVEN = st.builds(
    NotGiven,
    channel=_TEXT,
    outcome=st.sampled_from(Outcome),
    asked_ul=_WHOLE,
    reason=_TEXT,
    facts=st.dictionaries(_TEXT, _PLAIN, max_size=3),
    due_at=st.none() | _AT,
)


def test_every_kind_of_event_has_a_name_on_disk_and_an_example_here() -> None:
    classes = set(get_args(Event))
    assert set(KINDS.values()) == classes
    assert {type(event) for event in EVERY_EVENT} == classes


@pytest.mark.parametrize("event", EVERY_EVENT, ids=lambda event: type(event).__name__)
def test_an_event_comes_back_as_it_went_in(event: Event) -> None:
    row = Row(7, as_kept(reading(1234.567891)), event, 98_765)
    assert row_from_columns(columns_of(row)) == row


@given(_RESERVED | _NOT_GIVEN)
def test_any_event_comes_back_as_it_went_in(event: Event) -> None:
    row = Row(7, reading(), event, 0)
    columns = columns_of(row)
    assert row_from_columns(columns) == row
    assert "\n" not in columns.body
    assert body_from_event(row_from_columns(columns).event) == columns.body


def test_the_body_is_canonical_json() -> None:
    body = body_from_event(reserved())
    assert body == json.dumps(json.loads(body), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    kept = json.loads(body)
    assert kept["due_at_us"] == 1_774_699_200_000_000  # date -u -d '2026-03-28 12:00' +%s
    assert kept["day"] == "2026-03-28"


@given(st.floats(0, 4e9), st.floats(0, 4e9))
def test_boottime_is_kept_to_the_microsecond_and_in_order(one_s: float, other_s: float) -> None:
    one, other = as_kept(reading(one_s % 1e6)), as_kept(reading(other_s % 1e6))
    assert as_kept(one) == one
    assert row_from_columns(columns_of(Row(1, one, Held(""), 0))).reading == one
    assert abs(one.mono_s - one_s % 1e6) < 1e-6
    assert (one_s % 1e6 <= other_s % 1e6) <= (one.mono_s <= other.mono_s)


def test_a_time_of_another_zone_is_the_same_instant() -> None:
    there_at = NOON_AT.astimezone(timezone(timedelta(hours=5, minutes=30)))
    assert us_from_at(there_at) == us_from_at(NOON_AT)
    assert at_from_us(us_from_at(there_at)) == NOON_AT


def _bad(**changes: Any) -> Event:
    return attrs.evolve(reserved(), **changes)


@pytest.mark.parametrize(
    "event",
    [
        _bad(reserved_ul=3_000.0),
        _bad(reserved_ul=True),
        _bad(reserved_ul=None),
        _bad(reserved_ul="3000"),
        _bad(channel=None),
        _bad(channel=7),
        _bad(nominal_ul_per_s=float("nan")),
        _bad(nominal_ul_per_s=float("inf")),
        _bad(nominal_ul_per_s="250"),
        _bad(purpose="someday"),
        _bad(change_umol={"alkalinity": 0.5}),
        _bad(change_umol={1: 5}),
        _bad(levels={"alk": None}),
        _bad(due_at=datetime(2026, 3, 28)),  # noqa: DTZ001 - that is the fault
        _bad(day="2026-03-28"),
        _bad(day=NOON_AT),
        NotGiven("alk", Outcome.MISSED, 1, "", facts={"cause": object()}),
    ],
)
def test_what_is_not_exact_is_never_written(event: Event) -> None:
    with pytest.raises((TypeError, ValueError)):
        body_from_event(event)


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("stirred", "{}"),
        ("held", '{"reason":"x","colour":"red"}'),
        ("held", "{}"),
        ("held", '{"reason":5}'),
        ("held", '{"reason"'),
        ("settled", '{"reservation":1.5,"channel":"alk","outcome":"given","given_ul":1,"ran_ms":1}'),
        ("settled", '{"reservation":1,"channel":"alk","outcome":"done","given_ul":1,"ran_ms":1}'),
        ("calibrated", '{"channel":"alk","flow_ul_per_s":"fast"}'),
        ("ledger_made", '{"bench":1,"ledger_id":"x"}'),
    ],
)
def test_what_cannot_be_understood_is_not_guessed_at(kind: str, body: str) -> None:
    with pytest.raises((KeyError, TypeError, ValueError)):
        event_from_body(kind, body)


def test_a_key_that_was_not_there_yet_takes_its_default() -> None:
    kept = '{"channel":"alk","flow_ul_per_s":250.0}'
    assert event_from_body("calibrated", kept) == Calibrated("alk", 250.0, 0.0, (), "measured")


def test_facts_of_a_refusal_may_name_a_time_and_keep_it_as_text() -> None:
    event = NotGiven("alk", Outcome.REFUSED, 1, "", facts={"fits_at": NOON_AT, "day": date(2026, 3, 28)})
    assert json.loads(body_from_event(event))["facts"] == {"fits_at": "2026-03-28T12:00:00+00:00", "day": "2026-03-28"}


def test_only_rows_that_consume_a_slot_carry_it_in_the_unique_column() -> None:
    assert columns_of(Row(2, reading(), reserved("s"), 0)).slot == "s"
    assert columns_of(Row(2, reading(), NotGiven("alk", Outcome.MISSED, 1, "", slot="s"), 0)).slot == "s"
    of_a_day = NotGiven("alk", Outcome.MISSED, 1, "", slot="s", day=date(2026, 3, 28))
    assert columns_of(Row(2, reading(), of_a_day, 0)).slot is None, "its day may come again"
    ended = columns_of(Row(3, reading(), Settled(2, "alk", Outcome.GIVEN, 1, 1, slot="s"), 0))
    assert ended.slot is None
    assert ended.reservation == 2


def test_the_hash_is_sha_256_over_the_hash_before_and_the_row() -> None:
    # Expected value from another implementation of FIPS 180-4 (coreutils 9.1):
    # { head -c 32 /dev/zero; printf '2\nheld\n5\nb\n6\n1\n7\n\n\n\n{"reason":"x"}'; } | sha256sum
    columns = Columns(2, "held", 5, "b", 6, 1, 7, None, None, None, '{"reason":"x"}')
    assert chained_hash(NO_HASH, columns).hex() == "9a9d0c8287486dfc79a4242ebb7ae1b053a4690f0941af8aed2d4ac2e7701de3"


@pytest.mark.parametrize("name", Columns._fields)
def test_the_hash_covers_every_column_and_the_row_before(name: str) -> None:
    columns = columns_of(Row(3, reading(), settled(2), 5))
    was = getattr(columns, name)
    changed: Any = was + 1 if isinstance(was, int) else f"{was or ''}x"
    other = columns._replace(**{name: changed})
    assert chained_hash(NO_HASH, other) != chained_hash(NO_HASH, columns)
    assert chained_hash(bytes(31) + b"\1", columns) != chained_hash(NO_HASH, columns)


def test_a_reading_keeps_its_trust() -> None:
    untrusted = Reading(NOON_AT, "boot-1", 5.0, synchronised=False)
    assert row_from_columns(columns_of(Row(1, untrusted, Held(""), 0))).reading == untrusted
