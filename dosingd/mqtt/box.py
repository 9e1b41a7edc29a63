"""The box that the rig leaves its news in for the link: the newest state, and a bounded row of doses.

Whoever puts something in never waits: the lock is held for a few assignments and nothing else.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable

from dosingd.bell import Bell
from dosingd.mqtt.topics import DoseEvent, Message
from dosingd.state import RigState

#: Doses kept for a broker that is away; the ledger has them all.
DOSES_KEPT = 200
#: Answers to orders: more than can be taken at once. Whoever asked is at the same broker, so none is kept for long.
ANSWERS_KEPT = 50


class Box:
    """What is new. Any thread puts in and rings the bell, the link's own takes out."""

    def __init__(self) -> None:
        self.bell = Bell()
        #: How many doses were dropped, because there was no room for more.
        self.dropped = 0
        self._lock = threading.Lock()
        self._state: RigState | None = None
        self._doses: deque[DoseEvent] = deque()
        self._answers: deque[Message] = deque(maxlen=ANSWERS_KEPT)

    def put_state(self, state: RigState) -> None:
        """The newest state takes the place of the one before."""
        with self._lock:
            self._state = state
        self.bell.ring()

    def put_dose(self, dose: DoseEvent) -> None:
        """Keep a dose; when there is no room the oldest goes."""
        with self._lock:
            if len(self._doses) >= DOSES_KEPT:
                self._doses.popleft()
                self.dropped += 1
            self._doses.append(dose)
        self.bell.ring()

    def put_answer(self, answer: Message) -> None:
        """Keep an answer to an order; when there is no room the oldest goes."""
        with self._lock:
            self._answers.append(answer)
        self.bell.ring()

    def put_answer_back(self, answer: Message) -> None:
        """An answer that could not be handed over; when there is no room for it, it is the oldest and goes."""
        with self._lock:
            if len(self._answers) < ANSWERS_KEPT:
                self._answers.appendleft(answer)

    def take_answer(self) -> Message | None:
        """The oldest answer."""
        with self._lock:
            return self._answers.popleft() if self._answers else None

    def take_state(self) -> RigState | None:
        """The newest state, if there is one since this was asked last."""
        with self._lock:
            state, self._state = self._state, None
        return state

    def take_dose(self) -> DoseEvent | None:
        """The oldest dose."""
        with self._lock:
            return self._doses.popleft() if self._doses else None

    def put_back(self, doses: Iterable[DoseEvent]) -> None:
        """Doses that were taken, oldest first, and did not arrive; they are older than what came meanwhile."""
        with self._lock:
            for dose in reversed(list(doses)):
                if len(self._doses) < DOSES_KEPT:
                    self._doses.appendleft(dose)
                else:
                    self.dropped += 1
