"""Orders from the broker on their way to the desk (R10).

`came` runs on the link's thread: it reads, judges, hands over and returns. What is taken is written into the ledger by
the turn thread before it is carried out, and the ledger has the last word on whether an id was used before.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from typing import Any

from dosingd.clock import Clock
from dosingd.desk import Desk
from dosingd.duty import Duty
from dosingd.errors import LedgerRefused
from dosingd.orders import Code, Order, Orders, Refused, repeated, untimely
from dosingd.records import Reading
from dosingd.requests import Answer, Dose
from dosingd.trust import JUMP_S, offset_s
from dosingd.words import counted

#: The log says so often what came, if anything did.
TOLD_EVERY_S = 3600.0

Answered = Callable[[str, Mapping[str, Any]], None]


class Intake:
    """What the link hands orders to. One for the daemon's life, so that what is remembered outlives a link."""

    def __init__(self, desk: Desk, duty: Duty, clock: Clock, say: Callable[[str, str], None]) -> None:
        """Reads the ids of former orders from the books, so the turn thread must not have begun."""
        self._desk, self._duty, self._clock, self._say = desk, duty, clock, say
        self._orders = Orders(duty.rounds.account.books.ordered)
        self._waiting = 0
        self._lock = threading.Lock()
        self._told_mono_s = clock.now().mono_s
        self._told: dict[str, int] = {}

    # -- the link's thread -----------------------------------------------------------------------------------

    def came(self, payload: bytes, *, retained: bool, answer: Answered) -> None:
        """One message on the topic of orders, whatever it holds. Never waits, never raises."""
        reading = self._clock.now()
        try:
            self._take(payload, retained, answer, reading)
        except Exception as fault:
            self._orders.refused[Code.FAULT] += 1
            if self._orders.may_tell(reading):
                self._say("error", f"an order failed by a fault in dosingd itself: {type(fault).__name__}: {fault}.")

    def counts(self) -> Mapping[str, Any]:
        """What came since the start."""
        return self._orders.counts()

    def tick(self) -> None:
        """What came in the last hour, for the log."""
        mono_s = self._clock.now().mono_s
        if mono_s - self._told_mono_s < TOLD_EVERY_S:
            return
        now = {"taken": self._orders.taken} | {str(code): count for code, count in self._orders.refused.items()}
        new = {code: count - self._told.get(code, 0) for code, count in now.items()}
        self._told_mono_s, self._told = mono_s, now
        taken, refused = new.pop("taken"), {code: count for code, count in sorted(new.items()) if count}
        if taken or refused:
            why = f" ({', '.join(f'{code} {count}' for code, count in refused.items())})" if refused else ""
            text = f"{counted(taken, 'order')} from the broker taken in the last hour, {sum(refused.values())} refused"
            self._say("notice", f"{text}{why}")

    def _take(self, payload: bytes, retained: bool, answer: Answered, reading: Reading) -> None:
        broker = self._duty.plan.mqtt
        taken = self._orders.take(
            payload,
            retained=retained,
            allow=() if broker is None else broker.orders,
            reading=reading,
            trusted=self._trusted(reading),
            waiting=self._waiting,
        )
        if isinstance(taken, Refused):
            if self._orders.may_tell(reading):
                name = "" if taken.id is None else f" {taken.id}"
                self._say("warning", f"an order{name} from the broker is refused ({taken.code}): {taken.text}")
            if taken.id is not None and self._orders.may_answer(reading):
                answer(taken.id, answer_data(Answer.refused(taken.code, f"{taken.text} Nothing was done.")))
            return
        self._wait(1)
        self._desk.take_after(lambda: self._book(taken), taken.request, lambda came: self._reply(taken, came, answer))

    def _trusted(self, reading: Reading) -> bool:
        """Whether the clock is trusted, by the newest state, and has not moved since. The turn thread looks again."""
        state = self._duty.state
        return (
            state is not None and state.clock_trusted is True and abs(offset_s(reading) - offset_s(state.at)) <= JUMP_S
        )

    # -- the turn thread -------------------------------------------------------------------------------------

    def _book(self, order: Order) -> Answer | None:
        """The order's row, before anything is done for it; or why it is not carried out after all."""
        rounds, reading = self._duty.rounds, self._clock.now()
        # A hold has stopped the pump by now, and is as good late.
        late = untimely(order, reading, trusted=rounds.trusted()) if isinstance(order.request, Dose) else None
        if late is not None:
            return Answer.refused(late.code, f"{late.text} Nothing was done.")
        try:
            rounds.account.write(order.row, reading)
        except LedgerRefused:
            again = repeated(order)
            return Answer.refused(again.code, f"{again.text} Nothing was done.")
        return None

    # -- any thread ------------------------------------------------------------------------------------------

    def _reply(self, order: Order, came: Answer, answer: Answered) -> None:
        self._wait(-1)
        if came.status != 0:
            self._say("warning", f"order {order.id} from the broker: {came.text}")
        answer(order.id, answer_data(came))

    def _wait(self, more: int) -> None:
        with self._lock:
            self._waiting += more


def answer_data(answer: Answer) -> dict[str, Any]:
    """An answer as it is told on the order's own topic."""
    if answer.status == 0:
        return {"ok": True, **answer.data}
    return {"ok": False, "error": {"code": answer.code, "message": answer.text}, **answer.data}
