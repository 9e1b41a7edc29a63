"""What the broker should know, and what it has been told on the present connection.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Iterable

from attrs import define, field

from dosingd.mqtt.topics import Message, is_ours

#: Everything is told again this often: a hub that lets figures expire must not lose a living rig, and whatever
#: somebody else wrote to our topics is put right.
REPUBLISH_S = 60.0
#: ... but not what is older than this: a rig whose turn thread hangs must not look alive. The longest healthy silence
#: is a run of 540 s, the two minutes around it, and some room.
STALE_S = 780.0
#: A hub that is born again and again is answered this often at most.
BIRTH_S = 10.0


@define
class Outbox:
    """Retained topics: the newest message of each, and those to be taken off the broker."""

    _wanted: dict[str, Message] = field(factory=dict)
    #: By topic what was worth telling when it was handed over, and at which BOOTTIME in seconds.
    _told: dict[str, tuple[str, float]] = field(factory=dict)
    _gone: dict[str, Message] = field(factory=dict)
    _left: set[str] = field(factory=set)
    _fresh_mono_s: float | None = None
    _announce_mono_s: float | None = None
    _announced_mono_s: float = float("-inf")

    def found(self, topics: Iterable[str]) -> None:
        """An earlier link left these on the broker: what the next state does not want of them is to be cleared."""
        self._left = set(topics)

    def want(self, messages: Iterable[Message], mono_s: float | None = None) -> None:
        """These are the state from now on. A topic that was wanted before and is not among them is to be cleared.
        `mono_s` is the BOOTTIME that the state was looked at; without it, it grows not old."""
        wanted = {message.topic: message for message in messages}
        # A config goes before the figures that it reads, or a hub would stumble over nothing in their place.
        for topic in sorted((self._wanted.keys() | self._left) - wanted.keys(), key=lambda one: (is_ours(one), one)):
            self._gone[topic] = Message(topic, "", retain=True)
        for topic in wanted:
            self._gone.pop(topic, None)
        self._left.clear()
        self._wanted, self._fresh_mono_s = wanted, mono_s

    def topics(self) -> frozenset[str]:
        """Every topic on which the broker may hold something of ours."""
        return frozenset(self._wanted.keys() | self._gone.keys() | self._left)

    def connected(self) -> None:
        """A connection began: who is at its other end knows nothing."""
        self._told.clear()

    def forget(self, topics: Iterable[str]) -> None:
        """These did not arrive: they are due again."""
        for topic in topics:
            if topic in self._wanted:
                self._told.pop(topic, None)

    def born(self, mono_s: float) -> None:
        """A hub says that it was born: what is told once only is to be told to it again."""
        if self._announce_mono_s is None:
            self._announce_mono_s = max(mono_s, self._announced_mono_s + BIRTH_S)

    def due(self, mono_s: float) -> list[Message]:
        """What is to be told now: what changed, what was not told on this connection, what was told a minute ago."""
        if self._announce_mono_s is not None and mono_s >= self._announce_mono_s:
            self._announce_mono_s, self._announced_mono_s = None, mono_s
            for topic, message in self._wanted.items():
                if not message.renew:
                    self._told.pop(topic, None)
        stale = self._fresh_mono_s is not None and mono_s - self._fresh_mono_s >= STALE_S
        found = [message for topic, message in self._gone.items() if topic not in self._told or self._told[topic][0]]
        for topic, message in self._wanted.items():
            worth, told_mono_s = self._told.get(topic, (None, 0.0))
            again = message.renew and not stale and mono_s - told_mono_s >= REPUBLISH_S
            if worth != message.worth or again:
                found.append(message)
        return found

    def told(self, message: Message, mono_s: float) -> None:
        """This was handed over at a BOOTTIME."""
        self._told[message.topic] = (message.worth, mono_s)

    def acknowledged(self, message: Message) -> None:
        """The broker has it. A topic that was cleared is forgotten then, and not before; unless it came back and went
        again meanwhile, and has to be cleared once more."""
        worth, _ = self._told.get(message.topic, ("", 0.0))
        if not message.payload and not worth and self._gone.pop(message.topic, None) is not None:
            self._told.pop(message.topic, None)
