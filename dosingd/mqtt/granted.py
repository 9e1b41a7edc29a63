"""What the broker lets a rig hear and say: one that connects it may still deny it a topic, and then orders, a hub's
birth or an alarm are lost without a word.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from attrs import define, field, frozen

from dosingd.mqtt.topics import order_topic

#: What was denied is asked for again so often: an access list may be mended while the connection stands.
AGAIN_S = 60.0


@frozen
class Denied:
    """What is lost, in words with the next step."""

    text: str
    next_step: str


@define
class Granted:
    """What was asked of a broker and what it answered. `heard` says of each topic that is subscribed to what is lost
    without it."""

    rig: str
    user: str | None
    place: str
    heard: dict[str, str]
    _asked: dict[int, str] = field(init=False, factory=dict)  #: by the number of the packet
    _deaf: dict[str, None] = field(init=False, factory=dict)
    _mute: dict[str, None] = field(init=False, factory=dict)
    _again_mono_s: float = field(init=False, default=0.0)

    def connected(self) -> None:
        """Another connection numbers its packets anew. What was denied is denied until it is answered otherwise."""
        self._asked.clear()

    def asked(self, number: int, topic: str) -> None:
        """A subscription was asked for."""
        self._asked[number] = topic

    def answered(self, number: int, *, denied: bool) -> bool:
        """The broker has answered a subscription. Returns whether that is news."""
        topic = self._asked.pop(number, None)
        return topic is not None and _note(self._deaf, topic, denied)

    def published(self, topic: str, *, denied: bool) -> bool:
        """The broker has taken a message, or has said that it does not. Returns whether that is news: the first that it
        does not take, and the last."""
        if topic.startswith(f"{order_topic(self.rig)}/"):
            topic = f"{order_topic(self.rig)}/+"  # an answer's topic is used once
        before = bool(self._mute)
        return _note(self._mute, topic, denied) and bool(self._mute) is not before

    def again(self, mono_s: float) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The topics to subscribe to and to publish once more now, because they were denied a while ago."""
        if not self._deaf and not self._mute:
            self._again_mono_s = mono_s + AGAIN_S
        if mono_s < self._again_mono_s:
            return (), ()
        self._again_mono_s = mono_s + AGAIN_S
        return tuple(self._deaf), tuple(self._mute)

    @property
    def denied(self) -> Denied | None:
        """What is lost now; None: nothing that is known of."""
        if not self._deaf and not self._mute:
            return None
        who = "the rig" if self.user is None else f"the user {self.user}"
        said = []
        if self._deaf:
            first, more = next(iter(self._deaf)), len(self._deaf) - 1
            said.append(f"does not let {who} hear {first}{f' and {more} more' if more else ''}: {self.heard[first]}")
        if self._mute:
            first, more = next(iter(self._mute)), len(self._mute) - 1
            said.append(f"does not take {first}{f' and {more} more' if more else ''} from {who}: nobody sees it")
        topic, right = (next(iter(self._deaf)), "read") if self._deaf else (next(iter(self._mute)), "write")
        return Denied(
            f"The broker {self.place} {'; it '.join(said)}. Doses go on.",
            f'see the broker\'s log, and write into its access list: "topic {right} {topic}"',
        )


def _note(topics: dict[str, None], topic: str, denied: bool) -> bool:
    """Whether it was otherwise before."""
    if denied is (topic in topics):
        return False
    if denied:
        topics[topic] = None
    else:
        del topics[topic]
    return True
