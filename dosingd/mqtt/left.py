"""What a broker still holds of ours, over a restart: a rig that has another name now, or a channel less, must not leave
its old topics behind, and a hub not their entities."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from dosingd import memo
from dosingd.plan.model import Broker

FILE_NAME = "announced.json"
#: Brokers that are remembered; a rig that moves to another one leaves its topics on the one before.
BROKERS_KEPT = 4


class Left:
    """The topics that were told to one broker, in a file. Belongs to the link's own thread."""

    def __init__(self, path: Path, broker: Broker) -> None:
        self._path = path
        self._place = f"{broker.host}:{broker.port}"
        self._kept: frozenset[str] | None = None

    def topics(self) -> frozenset[str]:
        """Those of the last link to this broker."""
        return frozenset(_known(self._path).get(self._place, ()))

    def keep(self, topics: Iterable[str]) -> None:
        """These are to be known by the next link. A disk that takes nothing costs a topic left behind, no more."""
        wanted = frozenset(topics)
        if wanted == self._kept:
            return
        self._kept = wanted
        others = [(place, each) for place, each in _known(self._path).items() if place != self._place]
        with suppress(OSError):
            memo.write(self._path, dict([*others[1 - BROKERS_KEPT :], (self._place, sorted(wanted))]))


def _known(path: Path) -> dict[str, list[str]]:
    data = memo.read(path)
    if not isinstance(data, dict):
        return {}
    return {
        place: [topic for topic in topics if isinstance(topic, str) and topic]
        for place, topics in data.items()
        if isinstance(topics, list)
    }
