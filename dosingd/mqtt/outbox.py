"""What the broker should know, and what it has been told on the present connection.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Iterable

from attrs import define, field

from dosingd.mqtt.topics import Message

#: Everything is told again this often: a hub that lets figures expire must not lose a living rig, and whatever
#: somebody else wrote to our topics is put right.
REPUBLISH_S = 60.0


@define
class Outbox:
    """Retained topics: the newest message of each, and those to be taken off the broker."""

    _wanted: dict[str, Message] = field(factory=dict)
    #: By topic what was worth telling when it was handed over, and at which BOOTTIME in seconds.
    _told: dict[str, tuple[str, float]] = field(factory=dict)
    _gone: dict[str, Message] = field(factory=dict)

    def want(self, messages: Iterable[Message]) -> None:
        """These are the state from now on. A topic that was wanted before and is not among them is to be cleared."""
        wanted = {message.topic: message for message in messages}
        for topic in self._wanted.keys() - wanted.keys():
            self._gone[topic] = Message(topic, "", retain=True)
        for topic in wanted:
            self._gone.pop(topic, None)
        self._wanted = wanted

    def connected(self) -> None:
        """A connection began: who is at its other end knows nothing."""
        self._told.clear()

    def due(self, mono_s: float) -> list[Message]:
        """What is to be told now: what changed, what was not told on this connection, what was told a minute ago."""
        found = [message for topic, message in self._gone.items() if topic not in self._told or self._told[topic][0]]
        for topic, message in self._wanted.items():
            worth, told_mono_s = self._told.get(topic, (None, 0.0))
            if worth != message.worth or mono_s - told_mono_s >= REPUBLISH_S:
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
