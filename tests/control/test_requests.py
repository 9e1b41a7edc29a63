"""Requests and answers: whatever bytes come, a request or a refusal in words; what is asked arrives as it was meant."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from dosingd.errors import DosingError, RequestRefused
from dosingd.records import Into
from dosingd.requests import (
    DECLARED,
    LONGEST_WHY,
    MEASURED,
    MOST_LEVEL_UL,
    MOST_PAUSE_S,
    MOST_ROWS,
    MOST_RUNS,
    MOST_SEQ,
    MOST_TEST_S,
    MOST_VOLUME_UL,
    ORDERS,
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
    answer_from_bytes,
    bytes_of_answer,
    bytes_of_request,
    in_words,
    request_from_bytes,
)

EVERY = (
    Status, History, Dose, Prime, Hold, Release, Pause, Reload, Refill, Lengths, TestRun, Calibrate, Retube, Identify,
    Suspend, Resume,
)  # fmt: skip

CHANNELS = st.from_regex(r"[a-z][a-z0-9-]{0,31}", fullmatch=True)
VOLUMES = st.integers(1, MOST_VOLUME_UL)
OFFSETS = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
INSTANTS = st.datetimes(datetime(1970, 1, 2), datetime(2100, 1, 1), timezones=OFFSETS)  # noqa: DTZ001 - given a zone
WHYS = st.text(min_size=1, max_size=LONGEST_WHY).filter(lambda text: text.isprintable() and bool(text.strip()))
LEVELS = st.none() | st.integers(0, MOST_LEVEL_UL)
PAUSES = st.floats(0, MOST_PAUSE_S, exclude_min=True)
REQUESTS: st.SearchStrategy[Request] = st.one_of(
    st.builds(Status),
    st.builds(
        History,
        since=st.none() | INSTANTS,
        channel=st.none() | CHANNELS,
        after_seq=st.integers(0, MOST_SEQ),
        limit=st.integers(1, MOST_ROWS),
    ),
    st.builds(Dose, CHANNELS, VOLUMES),
    st.builds(Prime, CHANNELS, st.none() | VOLUMES, st.sampled_from(Into)),
    st.builds(Hold, st.none() | WHYS),
    st.builds(Release, st.booleans()),
    st.builds(Pause, st.none() | PAUSES),
    st.builds(Reload, st.booleans()),
    st.builds(Refill, CHANNELS, LEVELS, LEVELS, st.none() | CHANNELS, st.booleans()),
    st.builds(Lengths, CHANNELS),
    st.builds(TestRun, CHANNELS, seconds=st.floats(0.001, MOST_TEST_S)),
    st.builds(TestRun, CHANNELS, volume_ul=VOLUMES),
    st.builds(
        Calibrate,
        CHANNELS,
        st.lists(st.tuples(st.floats(0.001, 3600), st.floats(0.001, MOST_VOLUME_UL)), max_size=MOST_RUNS).map(tuple),
        st.sampled_from([MEASURED, DECLARED]),
        st.none() | st.floats(0, 40),
        st.none() | st.floats(0.9, 2),
    ),
    st.builds(Retube, CHANNELS),
    st.builds(
        Identify, st.dictionaries(CHANNELS, st.tuples(CHANNELS | st.just(""), CHANNELS | st.just("")), max_size=4)
    ),
    st.builds(Suspend, CHANNELS),
    st.builds(Resume, CHANNELS),
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
CALIBRATE = {
    "v": 1, "verb": "calibrate", "channel": "alk", "runs": [[10, 2500]], "source": "declared", "water_c": None,
    "density_kg_per_l": None,
}  # fmt: skip
DOSE = {"v": 1, "verb": "dose", "channel": "alk", "volume_ul": 4000}


def line(**values: Any) -> bytes:
    return json.dumps(values).encode()


@given(REQUESTS)
def test_what_was_asked_arrives(request: Request) -> None:
    sent = bytes_of_request(request)
    assert sent.endswith(b"\n")
    assert sent.count(b"\n") == 1
    assert request_from_bytes(sent) == request
    assert "\n" not in in_words(request)


def test_the_longest_request_stays_far_below_what_a_client_may_send() -> None:
    longest: list[Request] = [
        Hold("\N{SNOWMAN}" * LONGEST_WHY),
        History(datetime(2099, 1, 1, tzinfo=UTC), "a" * 32, MOST_SEQ, MOST_ROWS),
        Calibrate("a" * 32, ((3599.999999, 999_999.99),) * MOST_RUNS, MEASURED, 22.345, 1.2345678),
    ]
    assert max(len(bytes_of_request(request)) for request in longest) < 1024


def said(data: bytes) -> Request | None:
    try:
        return request_from_bytes(data)
    except RequestRefused as refused:
        text = str(refused)
    assert "Nothing was done." in text
    assert text.isprintable()
    assert len(text) < 400
    return None


@given(st.binary(max_size=300))
@example(b"[" * 8000)
@example(b'{"v":' + b"9" * 5000 + b"}")
@example(b"\xff\xfe{}")
@example(b"")
def test_no_bytes_are_anything_but_a_request_or_a_refusal(data: bytes) -> None:
    assert said(data) is None or isinstance(said(data), EVERY)


@given(
    st.sampled_from(EVERY),
    st.dictionaries(st.sampled_from(["v", "verb", "channel", "volume_ul", "into", "why", "for_s"]), JSON),
)
def test_no_values_are_anything_but_a_request_or_a_refusal(kind: type[Request], values: dict[str, Any]) -> None:
    given_ = {"v": 1, "verb": kind.verb, **values}
    request = said(json.dumps(given_).encode())
    assert request is None or isinstance(request, EVERY)


@given(REQUESTS, JSON, st.data())
def test_a_request_with_one_value_replaced_is_read_as_it_stands_or_refused(
    request: Request, value: Any, data: st.DataObject
) -> None:
    values = json.loads(bytes_of_request(request))
    key = data.draw(st.sampled_from(sorted(values)))
    values[key] = value
    again = said(json.dumps(values).encode())
    if again is not None:
        back = json.loads(bytes_of_request(again))
        if key == "since" and value is not None:  # the same instant, by another offset
            back["since"], values["since"] = (datetime.fromisoformat(each["since"]) for each in (back, values))
        assert back == values
        real = ("for_s", "seconds", "water_c", "density_kg_per_l")
        assert type(back[key]) is type(values[key]) or key in real


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"stop everything", "one JSON object"),
        (line(), "version"),
        (b"[1]", "JSON object"),
        (line(**{**DOSE, "v": 2}), "different releases"),
        (line(**{**DOSE, "v": True}), "version"),
        (line(**{**DOSE, "v": 1.0}), "version"),
        (line(**{**DOSE, "verb": "pour"}), '"pour" is nothing'),
        (line(**{**DOSE, "verb": ["dose"]}), "is nothing"),
        (line(**{**DOSE, "force": True}), '"force" is no part of dose'),
        (line(v=1, verb="dose", channel="alk"), '"volume_ul" is missing'),
        (line(**{**DOSE, "volume_ul": True}), "whole number, and is true or false"),
        (line(**{**DOSE, "volume_ul": 4000.0}), "whole number, and is a fraction"),
        (line(**{**DOSE, "volume_ul": "4000"}), "whole number, and is a text"),
        (line(**{**DOSE, "volume_ul": None}), "whole number, and is nothing"),
        (line(**{**DOSE, "volume_ul": 0}), "above zero"),
        (line(**{**DOSE, "volume_ul": -4000}), "above zero"),
        (line(**{**DOSE, "volume_ul": MOST_VOLUME_UL + 1}), "1000 mL at most"),
        (line(**{**DOSE, "volume_ul": 10**400}), "1000 mL at most"),
        (line(**{**DOSE, "channel": "Alk"}), "no channel"),
        (line(**{**DOSE, "channel": "alk\n"}), "no channel"),
        (line(**{**DOSE, "channel": "a" * 33}), "no channel"),
        (line(**{**DOSE, "channel": 7}), "must be a text, and is a number"),
        (b'{"v":1,"verb":"dose","channel":"alk","volume_ul":4000,"volume_ul":1}', "stands twice"),
        (b'{"v":1,"verb":"pause","for_s":NaN}', "NaN is no number"),
        (b'{"v":1,"verb":"pause","for_s":Infinity}', "Infinity is no number"),
        (b'{"v":1,"verb":"pause","for_s":1e999}', "no number that can be counted with"),
        (b'{"v":1,"verb":"pause","for_s":1' + b"0" * 400 + b"}", "no number that can be counted with"),
        (line(v=1, verb="pause", for_s=0), "above zero"),
        (line(v=1, verb="pause", for_s=MOST_PAUSE_S + 1), "4 hours at most"),
        (line(v=1, verb="pause", for_s=False), "must be a number"),
        (line(v=1, verb="hold", why=" "), "blank"),
        (line(v=1, verb="hold", why="x" * (LONGEST_WHY + 1)), "201 characters"),
        (line(v=1, verb="hold", why="two\nlines"), "cannot be printed"),
        (line(v=1, verb="hold", why="\x1b[2J"), "cannot be printed"),
        (b'{"v":1,"verb":"hold","why":"\\ud800"}', "cannot be printed"),
        (line(v=1, verb="prime", channel="alk", volume_ul=None, into="sink"), "cup and tank".replace("and", "or")),
        (line(v=1, verb="prime", channel="alk", volume_ul=None, into=None), "must be a text"),
        (line(v=1, verb="reload", yes=1), "true or false"),
        (line(v=1, verb="test-run", channel="alk", seconds=None, volume_ul=None), "by one of them"),
        (line(v=1, verb="test-run", channel="alk", seconds=5, volume_ul=500), "by one of them"),
        (line(v=1, verb="test-run", channel="alk", seconds=0, volume_ul=None), "above zero, 60 s at most"),
        (line(v=1, verb="test-run", channel="alk", seconds=61, volume_ul=None), "above zero, 60 s at most"),
        (line(**{**CALIBRATE, "runs": [[10, 2500]] * 25}), "24 at most"),
        (line(**{**CALIBRATE, "runs": [[10, 2500, 1]]}), "list of pairs"),
        (line(**{**CALIBRATE, "runs": [10, 2500]}), "list of pairs"),
        (line(**{**CALIBRATE, "runs": {"10": 2500}}), "list of pairs"),
        (line(**{**CALIBRATE, "runs": [["10", 2500]]}), "must be a number, and is a text"),
        (line(**{**CALIBRATE, "runs": [[-10, 2500]]}), "above zero"),
        (line(**{**CALIBRATE, "runs": [[10, 0]]}), "above zero"),
        (line(**{**CALIBRATE, "runs": [[10, 2e9]]}), "1000 mL at most"),
        (line(**{**CALIBRATE, "runs": [[4000, 2500]]}), "3600 s at most"),
        (line(**{**CALIBRATE, "source": "guessed"}), '"measured" or "declared"'),
        (line(v=1, verb="identify", seen={"alk": "ca"}), "object of pairs"),
        (line(v=1, verb="identify", seen=[["alk", "alk"]]), "object of pairs"),
        (line(v=1, verb="identify", seen={"alk": ["ca", "A"]}), "no channel"),
        (line(v=1, verb="identify", seen={"alk\n": ["", ""]}), "no channel"),
        (line(v=1, verb="history", since="2027-03-28T13:00", channel=None, after_seq=0, limit=9), "no offset"),
        (line(v=1, verb="history", since="soon", channel=None, after_seq=0, limit=9), "no time"),
        (line(v=1, verb="history", since="0001-01-01T00:00+14:00", channel=None, after_seq=0, limit=9), "could hold"),
        (line(v=1, verb="history", since=None, channel=None, after_seq=-1, limit=9), "number of a row"),
        (line(v=1, verb="history", since=None, channel=None, after_seq=2**63, limit=9), "number of a row"),
        (line(v=1, verb="history", since=None, channel=None, after_seq=0, limit=0), "1 to 500"),
        (line(v=1, verb="history", since=None, channel=None, after_seq=0, limit=501), "1 to 500"),
    ],
)
def test_what_is_no_request_is_refused_in_words(data: bytes, expected: str) -> None:
    with pytest.raises(RequestRefused) as refused:
        request_from_bytes(data)
    assert expected in str(refused.value)
    assert refused.value.code == "request"
    assert refused.value.exit_status == 2


def test_what_is_made_here_is_held_to_the_same() -> None:
    with pytest.raises(RequestRefused):
        Dose("alk", -1)
    with pytest.raises(RequestRefused):
        Pause(float("nan"))
    with pytest.raises(RequestRefused):
        History(since=datetime(2027, 3, 28))  # noqa: DTZ001 - naive on purpose


def test_what_changes_something_is_known_as_such() -> None:
    assert set(EVERY) - set(ORDERS) == {Status, History, Lengths}


def test_an_order_is_told_on_one_line() -> None:
    assert in_words(Dose("alk", 4000)) == "dose alk 4.00 mL"
    assert in_words(Prime("ca", None, Into.CUP)) == "prime ca what its line holds into the cup"
    assert in_words(Pause(1800.0)) == "pause 30 min"
    assert in_words(Pause(None)) == "pause off"
    assert in_words(Hold("leak")) == "hold, leak"
    assert in_words(TestRun("alk", seconds=20.0)) == "test-run alk 20 s"
    assert in_words(TestRun("alk", volume_ul=5000)) == "test-run alk 5.00 mL"
    assert in_words(Calibrate("alk", ((10.0, 2500.0),) * 3)) == "calibrate alk, 3 runs"
    assert in_words(Retube("alk")) == "retube alk"


@given(
    st.sampled_from([0, 1, 2]), st.dictionaries(st.text(max_size=5), JSON, max_size=3), st.lists(st.text(max_size=9))
)
def test_an_answer_arrives_with_what_is_unknown_as_null(status: int, data: dict[str, Any], messages: list[str]) -> None:
    answer = Answer(status, data, tuple(messages), None if status == 0 else "held", None if status == 0 else "It is.")
    sent = bytes_of_answer(answer)
    assert sent.count(b"\n") == 1
    back = answer_from_bytes(sent)
    assert (back.status, back.code, back.text) == (answer.status, answer.code, answer.text)
    assert len(back.messages) == len(messages)
    json.dumps(back.data, allow_nan=False)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{}\n",
        b"\xff\n",
        b"[" * 9000,
        line(v=2, status=0, data={}, messages=[], code=None, text=None),
        line(v=1, status=3, data={}, messages=[], code="x", text="x"),
        line(v=1, status=True, data={}, messages=[], code="x", text="x"),
        line(v=1, status=0, data=[], messages=[], code=None, text=None),
        line(v=1, status=0, data={}, messages="no", code=None, text=None),
        line(v=1, status=0, data={}, messages=[1], code=None, text=None),
        line(v=1, status=2, data={}, messages=[], code=None, text="why"),
        line(v=1, status=0, data={}, messages=[], code=None, text=None, more=1),
        line(v=1, status=0, data={}, messages=[], code=None),
    ],
)
def test_what_is_no_answer_is_said_in_words(data: bytes) -> None:
    with pytest.raises(DosingError, match="different releases"):
        answer_from_bytes(data)


def test_a_person_s_word_for_the_clock_is_in_the_log() -> None:
    assert in_words(Release(clock=True)) == "release, the clock is right"
    assert in_words(Release()) == "release"
