"""What holds the rig: every cause since it was last released, the first first (R11).

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from datetime import datetime

from attrs import evolve, frozen

from dosingd.leases import LEAK_SENSOR, MAY_HAVE_RUN, PLAN_CHANGED

#: Causes of a hold that are kept. Machines have few; whoever types them has no more than MOST_TYPED written down.
MOST_CAUSES, MOST_TYPED = 20, 8
#: So many of them are told in a line.
CAUSES_TOLD = 4


@frozen
class Cause:
    """One cause of a hold, and since when."""

    why: str
    at: datetime


@frozen
class Causes:
    """The latch. It is set while there is a cause."""

    causes: tuple[Cause, ...] = ()
    more: int = 0  #: beyond those that are kept

    @property
    def told(self) -> str | None:
        """All of them in words, the first first and then a machine's before a person's; None: nothing holds the rig."""
        if not self.causes:
            return None
        first, *others = (one.why for one in self.causes)
        if not others:
            return first
        others.sort(key=lambda why: not any(words in why for words in (PLAN_CHANGED, LEAK_SENSOR, *MAY_HAVE_RUN)))
        shown = [one.rstrip(" .") for one in (first, *others)[:CAUSES_TOLD]]
        more = len(self.causes) - len(shown) + self.more
        return "; and besides: ".join(shown) + (f"; and {more} more" if more else "")

    @property
    def since_at(self) -> datetime | None:
        """When the first of them came; None: nothing holds the rig."""
        return self.causes[0].at if self.causes else None

    def full_or_has(self, why: str) -> bool:
        """Whether this very cause is one of them already, or there are so many that another would tell nothing."""
        return len(self.causes) >= MOST_CAUSES or any(one.why == why for one in self.causes)

    def and_(self, cause: Cause) -> Causes:
        """These and one more; one that is there already keeps its time."""
        if any(one.why == cause.why for one in self.causes):
            return self
        if len(self.causes) >= MOST_CAUSES:
            return evolve(self, more=self.more + 1)
        return evolve(self, causes=(*self.causes, cause))

    def without(self, why: str) -> Causes:
        """These less one, which a person has dealt with."""
        return evolve(self, causes=tuple(one for one in self.causes if one.why != why))
