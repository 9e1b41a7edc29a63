"""Which changes of the link are worth a line in the log: what is new, and nothing twice.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from attrs import define, field

#: So many connections in a row that did not hold, and no more lines are written of their coming and going.
FLAPS_TOLD = 3
#: Reasons remembered; a fault of our own may word itself anew each time.
REASONS_KEPT = 50


@define
class Changes:
    """Steps of a link's life; each returns whether to write a line of it."""

    _owed: bool = True  #: nothing was written since the connection was lost
    _flaps: int = 0
    _said: set[str] = field(factory=set)

    def made(self) -> bool:
        """A connection was made. One that comes and goes has to hold before it is written of again."""
        return self._flaps < FLAPS_TOLD and self._connected()

    def held(self) -> bool:
        """It has held long enough to be a good one."""
        self._flaps = 0
        return self._connected()

    def lost(self, why: str, *, was_made: bool, had_held: bool) -> bool:
        """It was lost, or could not be made: each reason is written once."""
        if was_made:
            self._flaps = 0 if had_held else self._flaps + 1
        self._owed = True
        if why in self._said or len(self._said) >= REASONS_KEPT:
            return False
        self._said.add(why)
        return True

    def _connected(self) -> bool:
        owed, self._owed = self._owed, False
        if owed:
            self._said.clear()
        return owed
