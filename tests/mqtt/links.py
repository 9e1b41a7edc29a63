"""Links for the tests, which try again soon, and what they wrote and are shown."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from attrs import evolve, field, frozen

from dosingd.clock import SystemClock
from dosingd.mqtt.link import Link
from dosingd.plan.model import Broker as Settings
from dosingd.records import Reading
from dosingd.state import RigState
from tests.mqtt.broker import Broker
from tests.mqtt.states import state

ALIVE, RIG, ALK, CA = (f"dosingd/lagoon/{below}" for below in ("alive", "rig", "channel/alk", "channel/ca"))
CLOCK = SystemClock()


@frozen
class Log:
    """The lines that a link wrote."""

    lines: list[tuple[str, str]] = field(factory=list)

    def say(self, priority: str, text: str) -> None:
        self.lines.append((priority, text))

    def with_word(self, word: str) -> list[str]:
        return [text for _, text in self.lines if word in text]


class Ahead(SystemClock):
    """A clock that can be set forward, so that nobody has to wait for a minute."""

    ahead_s = 0.0

    def now(self) -> Reading:
        now = super().now()
        return evolve(now, mono_s=now.mono_s + self.ahead_s)


@contextmanager
def linked(
    settings: Settings | Broker, log: Log | None = None, *, clock: SystemClock = CLOCK, keepalive_s: int = 1
) -> Iterator[Link]:
    """A started link whose first wait is short, so that nobody has to wait for it."""
    if isinstance(settings, Broker):
        settings = Settings("127.0.0.1", settings.port)
    say = (log or Log()).say
    link = Link(settings, "lagoon", clock=clock, say=say, keepalive_s=keepalive_s, first_wait_s=0.1)
    link.start()
    try:
        yield link
    finally:
        link.stop(2.0)


def no_thread() -> bool:
    return all(thread.name != "mqtt" for thread in threading.enumerate())


def held_for(reason: str) -> RigState:
    return state(held=True, held_reason=reason)


def says(reason: str) -> Callable[[str], bool]:
    return lambda payload: bool(json.loads(payload)["held_reason"] == reason)


def seconds(call: Callable[..., None], *arguments: object) -> float:
    began_s = CLOCK.now().mono_s
    call(*arguments)
    return CLOCK.now().mono_s - began_s
