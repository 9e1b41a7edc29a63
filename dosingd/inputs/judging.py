"""What a switch says: from the levels of a bouncing contact to a judgement that may be acted on.

An input can hold the rig, leave doses out or raise an alarm; it never allows a dose. So every doubt goes one way: a
switch that cannot be read, that chatters, or that has not been seen long enough says what is unsafe.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from enum import StrEnum

from attrs import evolve, frozen

from dosingd.leases import LEAK_SENSOR
from dosingd.plan.model import Plan


class Use(StrEnum):
    """What a switch is there for."""

    CIRCULATION = "circulation"
    LEAK = "leak"
    HOLD_SWITCH = "hold_switch"
    FLOAT = "float"


#: What each says in words: unsafe, and safe.
WORDS: Mapping[Use, tuple[str, str]] = {
    Use.CIRCULATION: ("no flow", "flow"),
    Use.LEAK: ("wet", "dry"),
    Use.HOLD_SWITCH: ("on", "off"),
    Use.FLOAT: ("low", "not low"),
}
#: How long a level must stand before it is believed, in s. Leak and switch are believed at the second look: each look
#: too late is water on the floor. A flow switch flutters when a pump starts; a float rides on waves.
UNSAFE_AFTER_S: Mapping[Use, float] = {
    Use.CIRCULATION: 1.0,
    Use.LEAK: 0.05,
    Use.HOLD_SWITCH: 0.05,
    Use.FLOAT: 30.0,
}
SAFE_AFTER_S: Mapping[Use, float] = {Use.CIRCULATION: 2.0, Use.LEAK: 2.0, Use.HOLD_SWITCH: 2.0, Use.FLOAT: 30.0}
#: A switch that cannot be read for so long is not known any more. A file that is being saved is back sooner.
UNREADABLE_AFTER_S = 2.0
#: So many changes within a minute are a contact that is worn, wet or loose: no hand and no pump does that. It is
#: believed again after a minute without one.
CHATTER_CHANGES = 8
CHATTER_S = 60.0


@frozen
class Sensor:
    """One switch of the plan: its line, and which of its two levels is the unsafe one."""

    name: str
    use: Use
    gpio: int
    unsafe_when_closed: bool
    channel: str | None = None  #: whose reservoir a float is in


def sensors_of(plan: Plan) -> dict[str, Sensor]:
    """Every switch of a plan by name: as in `inputs`, and `float.CHANNEL`."""
    # Closed means what the name of each says: it runs, it is wet, it holds. Only of the first that is the safe one.
    found = {
        name: Sensor(name, Use(name), one.gpio, one.when_closed != (Use(name) is Use.CIRCULATION))
        for name, one in plan.inputs.items()
    }
    for channel, item in plan.channels.items():
        if item.reservoir.float_ is not None:
            one = item.reservoir.float_
            name = f"{Use.FLOAT}.{channel}"
            found[name] = Sensor(name, Use.FLOAT, one.gpio, not one.low_when_open, channel)
    return found


@frozen
class Judgement:
    """What is believed of one switch. Until it is `known` it says what is unsafe, and nobody is alarmed."""

    sensor: Sensor
    unsafe: bool = True
    known: bool = False
    readable: bool = True
    chattering: bool = False
    since_mono_s: float = 0.0  #: of what it says now
    raw: bool | None = None  #: at the last look: whether it is unsafe; None: it could not be read
    raw_since_mono_s: float | None = None  #: None: it was not looked at yet
    changes_mono_s: tuple[float, ...] = ()  #: within the last minute

    @property
    def says(self) -> str:
        """In words."""
        unsafe, safe = WORDS[self.sensor.use]
        if not self.known:
            return "not known yet"
        if not self.readable or self.chattering:
            broken = "chattering" if self.readable else "not readable"
            return broken if self.sensor.use is Use.FLOAT else f"{broken}, so it counts as {unsafe}"
        return unsafe if self.unsafe else safe


def step(before: Judgement, closed: bool | None, now_mono_s: float) -> Judgement:
    """What is believed after one look more: whether the contact is closed, None when it could not be read."""
    raw = None if closed is None else closed == before.sensor.unsafe_when_closed
    first = before.raw_since_mono_s is None
    changes = tuple(at for at in before.changes_mono_s if now_mono_s - at < CHATTER_S)
    raw_since_mono_s = before.raw_since_mono_s
    if first or raw != before.raw or raw_since_mono_s is None:
        raw_since_mono_s = now_mono_s
        if not first:
            changes = (*changes, now_mono_s)
    chattering = len(changes) >= CHATTER_CHANGES or (before.chattering and bool(changes))
    seen = evolve(before, raw=raw, raw_since_mono_s=raw_since_mono_s, changes_mono_s=changes[-CHATTER_CHANGES:])
    stood_s = now_mono_s - raw_since_mono_s
    if raw is None and stood_s >= UNREADABLE_AFTER_S:
        return _now(seen, now_mono_s, unsafe=True, readable=False)
    if chattering:
        return _now(seen, now_mono_s, unsafe=True, chattering=True)
    if raw is not None and stood_s >= _wait_s(before.sensor, raw):
        return _now(seen, now_mono_s, unsafe=raw)
    return seen


def _now(
    seen: Judgement, now_mono_s: float, *, unsafe: bool, readable: bool = True, chattering: bool = False
) -> Judgement:
    same = seen.known and (seen.unsafe, seen.readable, seen.chattering) == (unsafe, readable, chattering)
    since_mono_s = seen.since_mono_s if same else now_mono_s
    return evolve(seen, unsafe=unsafe, known=True, readable=readable, chattering=chattering, since_mono_s=since_mono_s)


def _wait_s(sensor: Sensor, unsafe: bool) -> float:
    return (UNSAFE_AFTER_S if unsafe else SAFE_AFTER_S)[sensor.use]


def look_again_mono_s(judgement: Judgement) -> float:
    """When a look would change what is believed although the level stays; infinity: never."""
    if judgement.raw_since_mono_s is None:
        return -math.inf
    if judgement.raw is None:
        return (
            math.inf if judgement.known and not judgement.readable else judgement.raw_since_mono_s + UNREADABLE_AFTER_S
        )
    if judgement.chattering:
        return judgement.changes_mono_s[-1] + CHATTER_S if judgement.changes_mono_s else -math.inf
    if judgement.known and judgement.readable and judgement.raw == judgement.unsafe:
        return math.inf
    return judgement.raw_since_mono_s + _wait_s(judgement.sensor, judgement.raw)


def flows(plan: Plan, judgements: Mapping[str, Judgement]) -> bool:
    """Whether the plan's circulation input is known to see flow. What is known of another line does not count."""
    judgement = judgements.get(Use.CIRCULATION)
    wanted = sensors_of(plan).get(Use.CIRCULATION)
    if judgement is None or judgement.sensor != wanted:
        return False
    return judgement.known and not judgement.unsafe


def whys_held(judgements: Mapping[str, Judgement]) -> Iterator[str]:
    """What asks for a hold now, each in words."""
    for judgement in judgements.values():
        sensor = judgement.sensor
        if sensor.use not in (Use.LEAK, Use.HOLD_SWITCH) or not judgement.known or not judgement.unsafe:
            continue
        what = LEAK_SENSOR if sensor.use is Use.LEAK else "the hold switch"
        yield f"{what} (GPIO {sensor.gpio}) is {judgement.says}"
