"""What a run by hand would do to the doses that are still to come: those that its gap or its allowance would refuse.

The rest of the agenda is lived through twice by the gate itself, with the run and without it.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from datetime import datetime, timedelta

from attrs import evolve, frozen

from dosingd import gate
from dosingd.agenda import Due
from dosingd.books import Books
from dosingd.gate import MAY_WAIT_S, Allowed, Reason, Refused, Request, late_by
from dosingd.plan.model import Plan
from dosingd.records import Into, Outcome, Purpose, Reading, Reserved, Row, Settled, proven_ms_after
from dosingd.recovery import change_of

#: So many doses are looked ahead at: a day of any plan for a tank. A bench's fast plan has more in a day.
DOSES_AHEAD = 200


@frozen
class Foreseen:
    """A scheduled dose that would be refused because of the run by hand."""

    channel: str
    at: datetime
    volume_ul: int
    why: str


def made_refused(
    plan: Plan, books: Books, request: Request, coming: Sequence[Due], reading: Reading, *, flowing: bool = True
) -> tuple[Foreseen, ...]:
    """The doses of the agenda that would be given without the run by hand and be refused after it. `flowing` is what
    the gate is asked with; the water is taken to move on as it does now.

    Empty when the gate refuses the run itself: then nothing changes. Doses laid without a clock have no wall time and
    are not looked at.
    """
    ahead = [due for due in coming if due.due_at is not None][:DOSES_AHEAD]
    with_it, without_it = _copied(books, ahead), _copied(books, ahead)
    allowed = gate.ask(plan, with_it, request, reading, trusted=True, flowing=flowing)
    if isinstance(allowed, Refused):
        return ()
    ran_s = _given(with_it, allowed, reading).mono_s - reading.mono_s
    before = {due.slot for due, _ in _refused(plan, without_it, ahead, reading)}
    return tuple(
        Foreseen(due.channel, due.due_at, due.volume_ul, why)
        for due, why in _refused(plan, with_it, ahead, reading, ran_s)
        if due.slot not in before and due.due_at is not None
    )


def _copied(books: Books, ahead: Sequence[Due]) -> Books:
    """Books of their own to go on in, without the days that are over: there are thousands of them after some years."""
    lean = copy.copy(books)
    lean.days = {due.day: books.days[due.day] for due in ahead if due.day is not None and due.day in books.days}
    lean.extra_ul = {}
    return copy.deepcopy(lean)


def _refused(
    plan: Plan, books: Books, ahead: Sequence[Due], from_: Reading, free_s: float = 0.0
) -> list[tuple[Due, str]]:
    """`free_s` after `from_` the run before is over, given or not: the agenda is gone through in order."""
    refused = []
    for due in ahead:
        answer, free_s = _asked(plan, books, due, from_, free_s)
        if isinstance(answer, Refused):
            refused.append((due, answer.text))
        else:
            free_s = _given(books, answer, _later(from_, free_s)).mono_s - from_.mono_s
    return refused


def _asked(plan: Plan, books: Books, due: Due, from_: Reading, free_s: float) -> tuple[Allowed | Refused, float]:
    """What the gate says of a dose, and when, in seconds after `from_`; asked again after a wait, as the rounds do."""
    assert due.due_at is not None
    due_s = (due.due_at - from_.wall_at).total_seconds()
    at_s = max(due_s, free_s)
    while True:
        late_s = at_s - due_s
        if late_s > MAY_WAIT_S:
            return Refused(Reason.LATE, f"{due.channel}: {late_by(late_s)}"), at_s
        request = Request(
            due.channel, Purpose.SCHEDULED, Into.TANK, due.volume_ul, due.slot, due.due_at, due.day, late_s
        )
        answer = gate.ask(plan, books, request, _later(from_, at_s), trusted=True, flowing=True)
        fits_in_s = answer.fits_in_s if isinstance(answer, Refused) and answer.reason is Reason.APART else None
        if fits_in_s is None or fits_in_s > MAY_WAIT_S - late_s:
            return answer, at_s
        at_s += fits_in_s + 0.001


def _given(books: Books, allowed: Allowed, at: Reading) -> Reading:
    """Book the run as one that went well; returns when it ended."""
    reserved = allowed.reserved
    row = _row(books, reserved, at)
    books.apply(row)
    end = _later(at, allowed.run_s)
    settled = Settled(
        row.seq,
        reserved.channel,
        Outcome.GIVEN,
        reserved.asked_ul,
        reserved.run_ms,
        change_of(reserved, reserved.asked_ul),
        reserved.slot,
    )
    books.apply(_row(books, settled, end))
    return end


def _row(books: Books, event: Reserved | Settled, at: Reading) -> Row:
    newest = books.newest
    return Row(1 if newest is None else newest.seq + 1, at, event, proven_ms_after(newest, at))


def _later(reading: Reading, seconds: float) -> Reading:
    return evolve(reading, wall_at=reading.wall_at + timedelta(seconds=seconds), mono_s=reading.mono_s + seconds)
