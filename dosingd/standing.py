"""The alarms that stand, over snapshots and restarts: each raised once, repeated at a slowing pace, ended when over.

`alarms.py` says what is wrong at an instant. Here it becomes news: since when, whether a person was told, whether one
has answered. All times are proven ones, which stand still rather than guess: a clock that jumps repeats nothing.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from attrs import evolve, field, frozen

from dosingd.alarms import Alarm, Kind
from dosingd.catalogue import CATALOGUE, Severity

#: Where they are remembered over a restart, in the state directory.
ALARMS_NAME = "alarms.json"

HOUR_MS = 3_600_000
#: When an alarm that goes on standing is told again, after it was raised; from the last on, each day.
REPEATED_AFTER_MS = (HOUR_MS, 4 * HOUR_MS, 12 * HOUR_MS, 24 * HOUR_MS)
#: One that comes back so soon after its end is the same, unless it is urgent: it comes and goes, and a person who is
#: told of it each time stops listening.
SAME_MS = HOUR_MS
#: How long the lamp blinks when an alarm is raised or repeated.
ATTENTION_S = 60.0
#: Half a blink.
BLINK_S = 0.5
#: An alarm that is not urgent shows as one flash in so long.
FLASH_EVERY_S = 10.0

Key = tuple[Kind, str | None]

_OVER = " To say that you have looked: dosingd release"


class Change(StrEnum):
    RAISED = "raised"
    REPEATED = "repeated"
    ENDED = "ended"


@frozen
class News:
    """What is to be told of an alarm, once."""

    change: Change
    alarm: Alarm
    stood: timedelta

    @property
    def priority(self) -> str:
        """The log's word for how bad it is."""
        if self.change is Change.ENDED:
            return "notice"
        severity = CATALOGUE[self.alarm.kind].severity
        return {Severity.NOTICE: "notice", Severity.WARNING: "warning", Severity.URGENT: "error"}[severity]

    @property
    def line(self) -> str:
        """One line for the log."""
        name = f"{self.alarm.kind}" + ("" if self.alarm.channel is None else f" {self.alarm.channel}")
        if self.change is Change.ENDED:
            return f"alarm over, {name}: it stood for {_lasted(self.stood)}"
        still = f" still, for {_lasted(self.stood)}" if self.change is Change.REPEATED else ""
        return f"ALARM{still}, {name}: {self.alarm.text} Next: {self.alarm.next_step}"


def _lasted(stood: timedelta) -> str:
    minutes = stood.total_seconds() / 60
    if minutes < 90:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 72 * 60 else f"{minutes / 1440:.0f} days"


@frozen
class Stood:
    """One alarm with its story. `alarm.text` is the newest; `alarm.since` never moves while it stands."""

    alarm: Alarm
    raised_ms: int  #: proven time
    repeats: int = 0
    ended_ms: int | None = None  #: None: it stands
    over: bool = False  #: its cause is over, and it waits for an answer
    answered: bool = False
    remembered: bool = False  #: from before this start, and its cause was not seen since
    quiet: bool = False  #: it came back soon after its end, and nobody was told


@frozen
class Standing:
    """Every alarm that stands, and the newest of each that has ended."""

    known: Mapping[Key, Stood] = field(factory=dict)

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """Those that stand, the worst first, then the oldest."""
        these = [one.alarm for one in self.known.values() if one.ended_ms is None]
        return tuple(sorted(these, key=lambda one: (-CATALOGUE[one.kind].severity, one.since)))

    @property
    def ended(self) -> tuple[Alarm, ...]:
        """Those that are over."""
        return tuple(one.alarm for one in self.known.values() if one.ended_ms is not None)

    @property
    def urgent(self) -> bool:
        """Whether an urgent one stands."""
        return any(CATALOGUE[one.kind].severity is Severity.URGENT for one in self.alarms)

    def stands(self, kind: Kind, channel: str | None = None) -> bool:
        """Whether an alarm stands."""
        one = self.known.get((kind, channel))
        return one is not None and one.ended_ms is None

    def answered(self, kind: Kind | None = None, channel: str | None = None) -> tuple[Standing, tuple[Alarm, ...]]:
        """A person has answered what is latched: of one kind and channel, or all of it. With those it ends for; an
        alarm whose cause is still there stands until that is over."""
        known, these = dict(self.known), []
        for key, one in self.known.items():
            asked = kind is None or key == (kind, channel)
            if asked and one.ended_ms is None and CATALOGUE[key[0]].latched and not one.answered:
                known[key] = evolve(one, answered=True)
                these.append(one.alarm)
        return Standing(known), tuple(these)


def step(
    before: Standing, found: Iterable[Alarm], channels: Collection[str], proven_ms: int, up_s: float
) -> tuple[Standing, tuple[News, ...]]:
    """What stands after a look, and what is to be told of it.

    `found` are the alarms whose cause is there; `channels` those of the plan in force; `up_s` is how long the daemon
    has been up: a cause that takes its time to be seen is not over because of a restart.
    """
    seen: dict[Key, Alarm] = {}
    for alarm in found:
        first = seen.setdefault((alarm.kind, alarm.channel), alarm)
        if first is not alarm:
            seen[alarm.kind, alarm.channel] = evolve(alarm, since=min(first.since, alarm.since))
    known: dict[Key, Stood] = {}
    news: list[News] = []
    for key, one in before.known.items():
        if key in seen:
            continue
        after, told = _not_found(key, one, channels, proven_ms, up_s)
        known[key] = after
        news += told
    for key, alarm in seen.items():
        known[key], told = _found(before.known.get(key), alarm, proven_ms)
        news += told
    return Standing(known), tuple(news)


def _found(one: Stood | None, alarm: Alarm, proven_ms: int) -> tuple[Stood, list[News]]:
    if one is None or (one.ended_ms is not None and not _same(one, alarm.kind, proven_ms)):
        return Stood(alarm, proven_ms), [News(Change.RAISED, alarm, timedelta())]
    quiet = one.quiet or one.ended_ms is not None
    stands = evolve(
        one,
        alarm=evolve(alarm, since=one.alarm.since),
        raised_ms=min(one.raised_ms, proven_ms),
        ended_ms=None,
        over=False,
        remembered=False,
        quiet=quiet,
    )
    return _repeated(stands, proven_ms)


def _same(one: Stood, kind: Kind, proven_ms: int) -> bool:
    soon = one.ended_ms is not None and 0 <= proven_ms - one.ended_ms < SAME_MS
    return soon and CATALOGUE[kind].severity is not Severity.URGENT and not CATALOGUE[kind].latched


def _not_found(
    key: Key, one: Stood, channels: Collection[str], proven_ms: int, up_s: float
) -> tuple[Stood, list[News]]:
    kind, channel = key
    if one.ended_ms is not None:
        return one, []
    gone = channel is not None and channel not in channels
    waits = one.remembered and up_s < CATALOGUE[kind].seen_again_s
    if not gone and waits:
        return _repeated(one, proven_ms)
    if not gone and CATALOGUE[kind].latched and not one.answered:
        over = one
        if not one.over:
            over = evolve(one, over=True, alarm=evolve(one.alarm, text=one.alarm.text + _OVER))
        return _repeated(over, proven_ms)
    ended = News(Change.ENDED, one.alarm, _stood(one, proven_ms))
    return evolve(one, ended_ms=proven_ms, over=False, remembered=False), [] if one.quiet else [ended]


def _repeated(one: Stood, proven_ms: int) -> tuple[Stood, list[News]]:
    repeats = 0
    while proven_ms - one.raised_ms >= _repeat_after_ms(repeats):
        repeats += 1
    if repeats <= one.repeats:
        return one, []
    return evolve(one, repeats=repeats, quiet=False), [News(Change.REPEATED, one.alarm, _stood(one, proven_ms))]


def _repeat_after_ms(number: int) -> int:
    last = len(REPEATED_AFTER_MS) - 1
    return REPEATED_AFTER_MS[min(number, last)] + max(0, number - last) * 24 * HOUR_MS


def _stood(one: Stood, proven_ms: int) -> timedelta:
    return timedelta(milliseconds=max(0, proven_ms - one.raised_ms))


# -- the lamp ------------------------------------------------------------------------------------------------


@frozen
class Calling:
    """What a lamp or buzzer is to show: nothing, a flash now and then, steadily on, or blinking for attention."""

    stands: bool = False
    urgent: bool = False
    attention_until_mono_s: float = float("-inf")

    def after(self, standing: Standing, news: Iterable[News], mono_s: float) -> Calling:
        """After a look at the alarms."""
        calls = any(one.change is not Change.ENDED for one in news)
        until_mono_s = mono_s + ATTENTION_S if calls else self.attention_until_mono_s
        return Calling(bool(standing.alarms), standing.urgent, until_mono_s)

    def lit(self, mono_s: float) -> bool:
        """Whether the line is high at a BOOTTIME."""
        if not self.stands:
            return False
        if mono_s < self.attention_until_mono_s:
            return mono_s % (2 * BLINK_S) < BLINK_S
        return self.urgent or mono_s % FLASH_EVERY_S < BLINK_S


# -- over a restart ------------------------------------------------------------------------------------------


def data_of(standing: Standing) -> list[dict[str, Any]]:
    """What is to be remembered, as JSON has it."""
    return [
        {
            "kind": kind.value,
            "channel": channel,
            "since": one.alarm.since.isoformat(),
            "text": one.alarm.text,
            "next_step": one.alarm.next_step,
            "raised_ms": one.raised_ms,
            "repeats": one.repeats,
            "ended_ms": one.ended_ms,
            "over": one.over,
            "answered": one.answered,
            "quiet": one.quiet,
        }
        for (kind, channel), one in standing.known.items()
    ]


def standing_of(data: Any) -> Standing:
    """What was remembered. Whatever of it cannot be read is left out: its cause raises it anew."""
    known: dict[Key, Stood] = {}
    for one in data if isinstance(data, list) else []:
        try:
            stood = _read(one)
        except (KeyError, TypeError, ValueError, AttributeError):
            continue
        known[stood.alarm.kind, stood.alarm.channel] = stood
    return Standing(known)


def _read(one: Any) -> Stood:
    since = datetime.fromisoformat(one["since"])
    channel, ended_ms = one["channel"], one["ended_ms"]
    texts = (one["text"], one["next_step"], *(() if channel is None else (channel,)))
    counts = (one["raised_ms"], one["repeats"], *(() if ended_ms is None else (ended_ms,)))
    if since.tzinfo is None or not all(isinstance(text, str) for text in texts):
        raise ValueError
    if not all(isinstance(count, int) and count >= 0 for count in counts):
        raise ValueError
    alarm = Alarm(Kind(one["kind"]), channel, since, one["text"], one["next_step"])
    flags = {name: bool(one[name]) for name in ("over", "answered", "quiet")}
    return Stood(alarm, one["raised_ms"], one["repeats"], ended_ms, remembered=ended_ms is None, **flags)


def carried(standing: Standing, found: Iterable[Alarm]) -> tuple[Alarm, ...]:
    """Alarms with the `since` that is remembered of them."""
    return tuple(
        evolve(alarm, since=standing.known[alarm.kind, alarm.channel].alarm.since)
        if standing.stands(alarm.kind, alarm.channel)
        else alarm
        for alarm in found
    )
