"""The link to the broker that stands now, over reloads: one at a time, and none after the daemon goes down."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Protocol

from dosingd.mqtt.granted import Denied
from dosingd.records import Row
from dosingd.state import RigState

#: How long a link may take to say its farewell.
FAREWELL_S = 2.0
#: How long going down waits for a link that a reload is about to make anew.
LINKING_S = 5.0


class PublishesState(Protocol):
    """The broker's link, as the daemon knows it."""

    @property
    def why_not(self) -> str | None:
        """Why it does not stand; None when it does."""

    @property
    def denied(self) -> Denied | None:
        """What does not pass on it; None: nothing that is known of."""

    def start(self) -> None: ...
    def show(self, state: RigState) -> None: ...
    def told(self, row: Row, reserved: Row | None) -> None: ...
    def stop(self, timeout_s: float) -> None: ...


class Linking:
    """`make` makes the link of the plan that is in force by then, None where it has no broker; `newest` is the state
    that a new link begins with. All but `begin` from any thread."""

    def __init__(
        self,
        make: Callable[[], PublishesState | None],
        newest: Callable[[], RigState | None],
        say: Callable[[str, str], None],
    ) -> None:
        self._make, self._newest, self._say = make, newest, say
        self.link: PublishesState | None = None
        self._changing, self._no_more = threading.Lock(), False

    def begin(self) -> None:
        """The first link."""
        self.link = self._make()
        if self.link is not None:
            self.link.start()

    def change(self) -> None:
        """On a thread of its own: the link of the plan in force instead of the one before. One at a time, or two
        reloads in a row would leave two links; each takes the plan that is in force by then, so the last one's
        stands."""
        with self._changing:
            if self._no_more:
                return
            try:
                before, self.link = self.link, None
                if before is not None:
                    before.stop(FAREWELL_S)
                link = self._make()
                if link is not None:
                    link.start()
                    state = self._newest()
                    if state is not None:
                        link.show(state)
                self.link = link
            except Exception as fault:
                self._say("error", f"mqtt: {fault}")

    def stop(self) -> None:
        """The end of the link that stands; no other is made."""
        self._no_more = True
        mine = self._changing.acquire(timeout=LINKING_S)
        try:
            if self.link is not None:
                self.link.stop(FAREWELL_S)
        finally:
            if mine:
                self._changing.release()

    def show(self, state: RigState) -> None:
        """The newest state, to whoever listens."""
        link = self.link  # another thread may take it away meanwhile
        if link is not None:
            link.show(state)

    def told(self, row: Row, reserved: Row | None) -> None:
        """A row of the ledger, to whoever listens."""
        link = self.link
        if link is not None:
            link.told(row, reserved)

    def why_not(self) -> str | None:
        """Why the link does not stand; None when it does, or when there is none."""
        link = self.link
        return None if link is None else link.why_not

    def denied(self) -> Denied | None:
        """What does not pass on the link; None: nothing that is known of."""
        link = self.link
        return None if link is None else link.denied
