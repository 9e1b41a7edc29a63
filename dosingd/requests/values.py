"""What may be asked of a running daemon, and what it answers, as frozen values.

What a request holds is checked where it is made, whoever makes it: a RequestRefused says in words what it may not hold.

Rules served: R4 (a person's orders are data that the one gate answers), R11 (a pause is at most four hours).

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, ClassVar, NoReturn

import attrs
from attrs import field, frozen

from dosingd.errors import RequestRefused
from dosingd.records import Into
from dosingd.words import duration, ml, plain

#: No run by hand comes near it: the least reservoir that stays useful holds less. The gate's limits are far below.
MOST_VOLUME_UL = 1_000_000
#: The largest reservoir that a plan may have.
MOST_LEVEL_UL = 1_000_000_000
#: A stop that ends by itself (R11). Longer ones are a hold, which a person must end.
MOST_PAUSE_S = 4 * 3600.0
#: A run by hand is a minute at most; a keeper may have timed longer ones.
MOST_TEST_S, MOST_TIMED_S = 60.0, 3600.0
#: Test runs of one calibration.
MOST_RUNS = 24
#: What test runs may come from: timed by the daemon, or by the keeper.
MEASURED, DECLARED = "measured", "declared"
#: The cause of a hold is shown on one or two lines and is written into the ledger.
LONGEST_WHY = 200
#: Rows of one page: with the longest reasons they stay well below the longest answer.
MOST_ROWS = 500
#: Whole numbers that every JSON reader keeps exactly (RFC 8259, section 6).
MOST_SEQ = 2**53 - 1

_CHANNEL = re.compile(r"[a-z][a-z0-9-]{0,31}")


def refuse(text: str) -> NoReturn:
    """Raises RequestRefused: this is not to be asked."""
    raise RequestRefused(f"{text} Nothing was done.")


def shown(value: object) -> str:
    """At most 40 characters of what came, none that could harm a terminal or a log."""
    text = str(value)[:40]
    return "".join(character if character.isprintable() else "?" for character in text)


# -- what each field may be ----------------------------------------------------------------------------------


def _is_channel(_: object, __: object, value: str) -> None:
    if not _CHANNEL.fullmatch(value):
        refuse(f'"{shown(value)}" is no channel: a channel is small letters, digits and hyphens.')


def _is_volume(_: object, __: object, value: int) -> None:
    if not 0 < value <= MOST_VOLUME_UL:
        shown = f"{plain(value / 1000)} mL" if abs(value) < 10**12 else "So much"
        if value == 0:
            shown = "Less than 0.001 mL"  # what was asked may have been a little, and was rounded
        refuse(f"{shown} is no volume to run by hand: above zero, {MOST_VOLUME_UL // 1000} mL at most.")


def _in_utc(value: datetime | None) -> datetime | None:
    if value is None:
        return None
    if value.utcoffset() is None:
        refuse(f"{value.isoformat()} has no offset, such as +01:00.")
    try:
        return value.astimezone(UTC)
    except OverflowError:
        refuse(f"{value.isoformat()} is no time that the ledger could hold.")


def _is_seq(_: object, __: object, value: int) -> None:
    if not 0 <= value <= MOST_SEQ:
        refuse(f"{shown(value)} is no number of a row.")


def _is_limit(_: object, __: object, value: int) -> None:
    if not 1 <= value <= MOST_ROWS:
        refuse(f"{shown(value)} rows cannot be asked for at once: 1 to {MOST_ROWS}.")


def _is_why(_: object, __: object, value: str) -> None:
    if not value.strip():
        refuse("The reason of a hold is blank.")
    if len(value) > LONGEST_WHY:
        refuse(f"The reason of a hold has {len(value)} characters; {LONGEST_WHY} at most.")
    if not value.isprintable():
        refuse("The reason of a hold has a line end or another character that cannot be printed.")


def _is_pause(_: object, __: object, value: float) -> None:
    if not 0 < value <= MOST_PAUSE_S:
        asked = f"{plain(value / 3600)} h" if value >= 3600 else f"{plain(value)} s"
        raise RequestRefused(
            f"A pause of {asked} is none: it must be above zero, {plain(MOST_PAUSE_S / 3600)} hours at most. "
            "Nothing was done. To stop for longer: dosingd hold"
        )


def _is_level(_: object, __: object, value: int) -> None:
    if not 0 <= value <= MOST_LEVEL_UL:
        shown = f"{plain(value / 1000)} mL" if abs(value) < 10**12 else "So much"
        refuse(f"{shown} is no level of a reservoir: zero or above, {MOST_LEVEL_UL // 1_000_000} L at most.")


def _is_test_s(_: object, __: object, value: float) -> None:
    if not 0 < value <= MOST_TEST_S:
        refuse(f"A test run of {plain(value)} s is none: above zero, {plain(MOST_TEST_S)} s at most.")


def _are_runs(_: object, __: object, value: tuple[tuple[float, float], ...]) -> None:
    if len(value) > MOST_RUNS:
        refuse(f"{len(value)} runs are too many: {MOST_RUNS} at most.")
    for seconds, volume_ul in value:
        if not 0 < seconds <= MOST_TIMED_S:
            refuse(f"A run of {plain(seconds)} s is none: above zero, {plain(MOST_TIMED_S)} s at most.")
        if not 0 < volume_ul <= MOST_VOLUME_UL:
            refuse(
                f"A run that gave {plain(volume_ul / 1000)} mL is none: above zero, {MOST_VOLUME_UL // 1000} mL at"
                " most."
            )


def _is_source(_: object, __: object, value: str) -> None:
    if value not in (MEASURED, DECLARED):
        refuse(f'Runs are "{MEASURED}" or "{DECLARED}", and not "{shown(value)}".')


def _are_seen(_: object, __: object, value: Mapping[str, tuple[str, str]]) -> None:
    for name, pair in value.items():
        for each in (name, *(one for one in pair if one)):
            if not _CHANNEL.fullmatch(each):
                refuse(f'"{shown(each)}" is no channel: a channel is small letters, digits and hyphens.')


_optional = attrs.validators.optional


# -- the requests --------------------------------------------------------------------------------------------


@frozen
class Status:
    """The rig now."""

    verb: ClassVar[str] = "status"


@frozen
class History:
    """The ledger's rows after a number, oldest first, `limit` at most: one page. A page that is shorter is the last."""

    verb: ClassVar[str] = "history"
    since: datetime | None = field(default=None, converter=_in_utc)  #: aware: only rows from then on
    channel: str | None = field(default=None, validator=_optional(_is_channel))
    after_seq: int = field(default=0, validator=_is_seq)
    limit: int = field(default=MOST_ROWS, validator=_is_limit)


@frozen
class Dose:
    """A dose by hand into the tank."""

    verb: ClassVar[str] = "dose"
    channel: str = field(validator=_is_channel)
    volume_ul: int = field(validator=_is_volume)


@frozen
class Prime:
    """The line filled to its end. Without a volume it is what the plan says the line holds."""

    verb: ClassVar[str] = "prime"
    channel: str = field(validator=_is_channel)
    volume_ul: int | None = field(validator=_optional(_is_volume))
    into: Into


@frozen
class Hold:
    """Every pump off until a person releases the rig (R11)."""

    verb: ClassVar[str] = "hold"
    why: str | None = field(default=None, validator=_optional(_is_why))


@frozen
class Release:
    """The end of a hold. With `clock` a person says besides that the clock is right although it is behind the
    ledger (R14)."""

    verb: ClassVar[str] = "release"
    clock: bool = False


@frozen
class Pause:
    """A stop that ends by itself after so many seconds; None ends a pause now."""

    verb: ClassVar[str] = "pause"
    for_s: float | None = field(validator=_optional(_is_pause))


@frozen
class Reload:
    """The plan's file read again; `yes` where a person has seen by how much it raises what is dosed."""

    verb: ClassVar[str] = "reload"
    yes: bool = False


@frozen
class Refill:
    """A reservoir filled `to_ul`, after `found_ul` was left, with a stock of the plan; or, with `confirm`, a person's
    word that all that is in it is the plan's stock. What is None was not said."""

    verb: ClassVar[str] = "refill"
    channel: str = field(validator=_is_channel)
    to_ul: int | None = field(default=None, validator=_optional(_is_level))
    found_ul: int | None = field(default=None, validator=_optional(_is_level))
    stock: str | None = field(default=None, validator=_optional(_is_channel))
    confirm: bool = False
    yes: bool = False  #: a confirmation that was asked about is meant


@frozen
class Lengths:
    """Which test runs fit now: how much to prime, and the seconds of each run."""

    verb: ClassVar[str] = "lengths"
    channel: str = field(validator=_is_channel)


@frozen
class TestRun:
    """A run into a cup, to be measured: by seconds, or by a volume."""

    __test__: ClassVar[bool] = False  # a pump's test, not pytest's
    verb: ClassVar[str] = "test-run"
    channel: str = field(validator=_is_channel)
    seconds: float | None = field(default=None, validator=_optional(_is_test_s))
    volume_ul: int | None = field(default=None, validator=_optional(_is_volume))

    def __attrs_post_init__(self) -> None:
        if (self.seconds is None) == (self.volume_ul is None):
            refuse("A test run is asked for by its seconds or by its volume, by one of them.")


@frozen
class Calibrate:
    """Timed runs, each (seconds, µL), from which a flow is to be found. `water_c` and `density_kg_per_l` say what was
    weighed, where the volumes come from masses."""

    verb: ClassVar[str] = "calibrate"
    channel: str = field(validator=_is_channel)
    runs: tuple[tuple[float, float], ...] = field(validator=_are_runs)
    source: str = field(default=DECLARED, validator=_is_source)
    water_c: float | None = None
    density_kg_per_l: float | None = None


@frozen
class Retube:
    """New head tubing: the channel's calibration ends."""

    verb: ClassVar[str] = "retube"
    channel: str = field(validator=_is_channel)


@frozen
class Identify:
    """What the swap check saw: by the head that ran, whose cup filled and whose reservoir fell; "" for none."""

    verb: ClassVar[str] = "identify"
    seen: Mapping[str, tuple[str, str]] = field(validator=_are_seen)


@frozen
class Suspend:
    """A session by hand begins: the channel's scheduled doses stand still."""

    verb: ClassVar[str] = "suspend"
    channel: str = field(validator=_is_channel)


@frozen
class Resume:
    """The end of a session by hand."""

    verb: ClassVar[str] = "resume"
    channel: str = field(validator=_is_channel)


Request = (
    Status
    | History
    | Dose
    | Prime
    | Hold
    | Release
    | Pause
    | Reload
    | Refill
    | Lengths
    | TestRun
    | Calibrate
    | Retube
    | Identify
    | Suspend
    | Resume
)

#: Those that change something, or move a pump: who asked is written down.
ORDERS = (
    Dose, Prime, Hold, Release, Pause, Reload, Refill, TestRun, Calibrate, Retube, Identify, Suspend, Resume,
)  # fmt: skip


def in_words(request: Request) -> str:
    """The request on one line, for the log: `dose alk 4.00 mL`."""
    match request:
        case Dose():
            return f"dose {request.channel} {ml(request.volume_ul)}"
        case Prime():
            volume = "what its line holds" if request.volume_ul is None else ml(request.volume_ul)
            return f"prime {request.channel} {volume} into the {request.into.value}"
        case Hold(why=str() as why):
            return f"hold, {why}"
        case Pause(for_s=None):
            return "pause off"
        case Pause(for_s=float() as for_s):
            return f"pause {duration(for_s)}"
        case Reload(yes=True):
            return "reload, yes"
        case Release(clock=True):
            return "release, the clock is right"
        case Refill(confirm=True):
            return f"refill {request.channel}, confirm{', yes' if request.yes else ''}"
        case Refill():
            stock = "" if request.stock is None else f" of {request.stock}"
            return f"refill {request.channel} to {ml(request.to_ul or 0)}{stock}"
        case TestRun(seconds=float() as seconds):
            return f"test-run {request.channel} {plain(seconds)} s"
        case TestRun():
            return f"test-run {request.channel} {ml(request.volume_ul or 0)}"
        case Calibrate():
            return f"calibrate {request.channel}, {len(request.runs)} runs"
        case Retube() | Suspend() | Resume():
            return f"{request.verb} {request.channel}"
        case _:
            return request.verb


@frozen
class Answer:
    """What came of a request. `status` is the exit status that it deserves: 0 done, 1 failed while doing it, 2 refused;
    then `code` and `text` say why, and the data is empty."""

    status: int
    data: Mapping[str, Any] = field(factory=dict)
    messages: tuple[str, ...] = ()  #: for a person, beside the data
    code: str | None = None
    text: str | None = None

    @classmethod
    def refused(cls, code: str, text: str) -> Answer:
        """Nothing was done, and why."""
        return cls(2, code=code, text=text)

    @classmethod
    def failed(cls, code: str, text: str) -> Answer:
        """It failed while it was done, and what is known of it."""
        return cls(1, code=code, text=text)
