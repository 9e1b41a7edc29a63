"""A pretend pump with a true flow of its own: it logs every change of its level where the level changes."""

from __future__ import annotations

from collections.abc import Callable

#: (channel, on): called at each change of a level.
Log = Callable[[str, bool], None]


class BenchPump:
    """A pump that only writes down when its line went high and low."""

    def __init__(self, channel: str, log: Log) -> None:
        self.channel = channel
        self._log = log
        self._on = False

    def on(self) -> None:
        """Line high; logged when it was low."""
        if not self._on:
            self._on = True
            self._log(self.channel, True)

    def off(self) -> None:
        """Line low; logged when it was high."""
        if self._on:
            self._on = False
            self._log(self.channel, False)

    @property
    def is_on(self) -> bool:
        """Whether the line is high."""
        return self._on
