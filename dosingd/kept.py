"""What the books keep of the past, in values.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from datetime import datetime

from attrs import define, frozen

from dosingd.records import Outcome, Purpose


@define
class DayAccount:
    """What one channel's scheduled doses of one dosing day came to."""

    last_slot: str = ""
    spent_ul: int = 0  #: asked volumes of every slot consumed, whatever became of it
    spent_umol: float = 0.0
    given_ul: int = 0
    refused_ul: int = 0
    missed_ul: int = 0
    reserved: int = 0  #: how many of the slots were reserved: something of them may have gone in
    given: int = 0
    refused: int = 0
    missed: int = 0


@define
class Unclocked:
    """A dose given without a trusted clock."""

    seq: int  #: of its reservation
    channel: str
    proven_ms: int
    asked_ul: int
    asked_umol: float
    given_ul: int


@frozen
class Recent:
    """Something of the last two days that an alarm may be about."""

    proven_ms: int
    at: datetime
    kind: str  #: refused | missed | unknown | clock moved
    channel: str
    volume_ul: int
    text: str
    doses: int = 1
    due_at: datetime | None = None


@frozen
class Seen:
    """What a switch says, and since when. Proven time stands still rather than guess, so it is at least so long."""

    says: str
    at: datetime
    proven_ms: int


@frozen
class LastDose:
    """What became of a channel's newest dose, of whatever purpose."""

    at: datetime
    outcome: Outcome
    asked_ul: int
    given_ul: int
    reason: str = ""
    purpose: Purpose = Purpose.SCHEDULED
