"""What was calibrated on a pump's head tubing: what of it holds, what ended it, and what a new flow is held against.

A calibration is of one head: a line, a speed, a nominal flow, a line volume. A plan in force that names another head
ends it for good, and so does a calibration of another head: when the former head is named again, nobody knows what was
done to the pump meanwhile. Its flow is not forgotten: the next one on the same tubing is held against it.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from attrs import evolve, frozen

from dosingd.records import Calibrated, CalibrationDoubted, HeadRow

#: How many calibrations on one tubing are looked back on for its drift.
CALIBRATIONS_KEPT = 8
#: A flow is held against every calibration of this time, not the last alone: small steps add up. A tubing that loses
#: 3 % a week, as a worn one may, has lost 12 % by then, and no question is asked of it.
STEPS_WITHIN = timedelta(days=28)
#: So many are kept for that, the oldest of them among them.
STEPS_KEPT = 64


@frozen
class Calibration:
    """A calibration as the books keep it."""

    event: Calibrated
    at: datetime
    motor_ms: int  #: how long the channel's motor had run by then
    plan_sha256: str | None  #: of the plan that was in force

    @property
    def speed(self) -> float | None:
        """The share of full speed that it was made at; None: an older row does not say."""
        return None if self.event.head is None else speed_of(self.event.head)

    def of(self, head: HeadRow, plan_sha256: str | None) -> bool:
        """Whether it was made with this head. A row of an older version names none: it holds for the plan that was in
        force when it was booked, to the byte."""
        return self.plan_sha256 == plan_sha256 if self.event.head is None else self.event.head == head

    def named(self, head: HeadRow) -> Calibration:
        """The same, as one of this head."""
        return evolve(self, event=evolve(self.event, head=head))


@frozen
class Tubing:
    """The head tubing that is in, with all that was calibrated on it."""

    retubed_at: datetime | None = None  #: when it was booked as new
    holding: tuple[Calibration, ...] = ()  #: those that nothing has ended, newest last
    accepted: tuple[Calibration, ...] = ()  #: the newest at each speed, of whatever head, ended or not; newest last
    former: tuple[Calibration, ...] = ()  #: the same of the tubing before
    doubted: CalibrationDoubted | None = None  #: waits for a second set of runs that agrees
    steps: tuple[Calibration, ...] = ()  #: those that the next one is held against, of whatever head; newest last

    def after_calibration(self, one: Calibration) -> Tubing:
        """After another was accepted; of those before, the ones of another head end."""
        head = one.event.head
        held = self.holding if head is None else tuple(each for each in self.holding if each.of(head, one.plan_sha256))
        others = tuple(each for each in self.accepted if each.speed != one.speed)
        return evolve(
            self,
            holding=(*held, one)[-CALIBRATIONS_KEPT:],
            accepted=(*others, one),
            doubted=None,
            steps=self._steps_with(one),
        )

    def _steps_with(self, one: Calibration) -> tuple[Calibration, ...]:
        """A second set that agreed says that the flow did change, so those before it say nothing of the next one; and
        a bench's nobody measured."""
        if one.event.source == "bench":
            return self.steps
        if one.event.second_set:
            return (*(each for each in self.steps if each.speed not in (one.speed, None)), one)
        same = _within(tuple(each for each in (*self.steps, one) if each.speed == one.speed), one.at)
        if len(same) > STEPS_KEPT:
            same = (same[0], *same[1 - STEPS_KEPT :])
        return (*(each for each in self.steps if each.speed != one.speed), *same)

    def steps_of(self, head: HeadRow, now_at: datetime) -> tuple[Calibration, ...]:
        """The calibrations that a flow of this head, measured now, must resemble; the newest last."""
        return _within(tuple(each for each in self.steps if each.speed in (speed_of(head), None)), now_at)

    def after_plan(self, head: HeadRow, plan_sha256: str) -> Tubing:
        """After a plan came into force that names this head. A calibration whose row names none was of the plan that
        was in force then: where this is that one, to the byte, it was of this head, and is from now on."""
        doubted = self.doubted if self.doubted is not None and self.doubted.head == head else None
        holding, accepted = (
            tuple(each.named(head) if each.event.head is None and each.of(head, plan_sha256) else each for each in them)
            for them in (self.holding, self.accepted)
        )
        held = tuple(each for each in holding if each.of(head, plan_sha256))
        return evolve(self, holding=held, accepted=accepted, doubted=doubted)

    def after_retubing(self, at: datetime) -> Tubing:
        """After new tubing went in."""
        return Tubing(retubed_at=at, former=self.accepted or self.former)


def _within(known: tuple[Calibration, ...], now_at: datetime) -> tuple[Calibration, ...]:
    return tuple(each for each in known if now_at - each.at <= STEPS_WITHIN)


def speed_of(head: HeadRow) -> float:
    """The share of full speed that a head runs at; 1 where the plan names none."""
    return 1.0 if head.speed is None else head.speed


def comparable(known: tuple[Calibration, ...], head: HeadRow) -> Calibration | None:
    """The newest whose flow this head's must resemble: at the same speed, or of an older row that names no speed.

    Another line, nominal flow or line volume does not change what the tubing gives. Another speed does, and not in
    proportion: a motor at a part of its voltage loses more than that part.
    """
    return next((each for each in reversed(known) if each.speed in (speed_of(head), None)), None)
