"""What a person does at the pumps while the daemon runs: test runs, calibrations, new tubing, the swap check.

Everything here is done on the turn thread, between two runs. The pump itself is moved by the desk's one way to a run by
hand (R4); this room decides what is booked.
"""

from __future__ import annotations

from collections.abc import Callable

from dosingd.acceptance import Measured, judged, verdict_data
from dosingd.books import Books
from dosingd.calibration import volume_ul_from_run_s
from dosingd.duty import LONGEST_SESSION_S, Duty
from dosingd.flows import flow_of
from dosingd.ledger import Book
from dosingd.plan.model import Plan
from dosingd.records import Event, Identified, PlanLoaded, Purpose, Reserved, Retubed
from dosingd.requests import MEASURED, Answer, Calibrate, Identify, Lengths, Retube, TestRun
from dosingd.testruns import lengths_for, swapped
from dosingd.words import ml


def no_channel(plan: Plan, name: str) -> Answer | None:
    """The refusal of a channel that the plan does not have; None when it has it."""
    if name in plan.channels:
        return None
    return Answer.refused("channel", f"{name}: no such channel in the plan. To see them: dosingd status")


def lengths(duty: Duty, request: Lengths) -> Answer:
    """Which test runs fit now, so that a person measures what is worth measuring."""
    plan, books, name = duty.plan, duty.rounds.account.books, request.channel
    refused = no_channel(plan, name)
    if refused is not None:
        return refused
    proven_ms = books.proven_ms(duty.clock.now())
    found = lengths_for(plan, books, name, proven_ms)
    if found is None:
        room_ul = max(0, books.level(f"cup:{name}", proven_ms))
        return Answer.refused(
            "cup-limit",
            f"{name}: no useful test runs fit: what may run into a cup is {ml(room_ul)} now, and its reservoir must"
            f" hold them above its reserve. Nothing was pumped. The cup's allowance grows with the hours; or time runs"
            f' yourself and say them: dosingd calibrate {name} --run "10 s=2.5 mL" --run ...',
        )
    return Answer(
        0,
        {
            "prime_ul": found.prime_ul,
            "seconds": list(found.seconds),
            "flow_ul_per_s": found.flow.ul_per_s,
            "lag_ul": found.flow.lag_ul,
            "identify_ul": found.identify_ul,
        },
    )


def test_volume_ul(duty: Duty, request: TestRun) -> int:
    """What a test run is asked for in µL: by its seconds at the channel's flow, rounded down, or as it says."""
    if request.seconds is None or request.channel not in duty.plan.channels:
        return request.volume_ul or 0
    flow = flow_of(duty.plan, duty.rounds.account.books, request.channel)
    return max(1, volume_ul_from_run_s(request.seconds, flow) - 1)


def calibrate(duty: Duty, request: Calibrate) -> Answer:
    """Timed runs judged, and booked where they make a calibration or wait for a second set."""
    plan, account = duty.plan, duty.rounds.account
    refused = no_channel(plan, request.channel)
    if refused is None and request.source == MEASURED:
        refused = _of_what_is_gone(account.book, request)
    if refused is not None:
        return refused
    duty.touch(request.channel)
    measured = Measured(request.runs, request.source, request.water_c, request.density_kg_per_l)
    answer = judge_and_book(
        plan, account.books, request.channel, measured, lambda event: account.write(event, duty.clock.now())
    )
    if answer.status == 0:
        duty.rounds.lay_anew()  # the same volumes run for other seconds now
        duty.wake()
    duty.publish()
    return answer


def _of_what_is_gone(book: Book, request: Calibrate) -> Answer | None:
    """The refusal of runs that the daemon timed before the tubing or the plan changed: a person may measure at one
    terminal while another books new tubing, and the flow of the old one is not that of the new. None: they are of what
    is there now, or nothing tells."""
    name, left, changed = request.channel, len(request.runs), ""
    newest_ms = book.newest.proven_ms
    for row in book.rows(kinds=[Reserved, Retubed, PlanLoaded], newest_first=True):
        if newest_ms - row.proven_ms > LONGEST_SESSION_S * 1000:
            return None  # no session lasts so long
        match row.event:
            case Retubed(channel) if channel == name:
                changed = "its head tubing was changed"
            case PlanLoaded():
                changed = changed or "the plan was changed"
            case Reserved(channel=channel, purpose=Purpose.CALIBRATION) if channel == name:
                if changed:
                    text = (
                        f"{name}: {changed} after some of these runs, so they say nothing of what is there now. What"
                        f" they drew is booked; nothing was calibrated. Measure again: dosingd calibrate {name}"
                    )
                    return Answer.refused("changed", text)
                left -= 1
        if left == 0:
            return None
    return None


def judge_and_book(plan: Plan, books: Books, name: str, measured: Measured, write: Callable[[Event], object]) -> Answer:
    """The verdict as an answer, and its row in the ledger: the same with a daemon and without."""
    verdict = judged(plan, books, name, measured)
    if verdict.event is not None:
        write(verdict.event)
    data = verdict_data(verdict, measured)
    if verdict.accepted:
        return Answer(0, data)
    return Answer(2, data, code=verdict.code, text=f"{verdict.reason}")


def retube(duty: Duty, request: Retube) -> Answer:
    """New head tubing: the calibration ends, and the channel stands still until there is another."""
    refused = no_channel(duty.plan, request.channel)
    if refused is not None:
        return refused
    duty.rounds.account.write(Retubed(request.channel), duty.clock.now())
    duty.wake()
    duty.publish()
    return Answer(0, {"ok": True, "message": retubed_words(request.channel)})


def retubed_words(name: str) -> str:
    """What new tubing means for a channel."""
    return (
        f"{name}: new head tubing is booked. It does not dose until it is calibrated. Fill its line into a cup first: "
        f"dosingd prime {name} --into cup, then: dosingd calibrate {name}"
    )


def identify(duty: Duty, request: Identify) -> Answer:
    """What the swap check saw. A disagreement holds the rig: a swapped line gives the wrong stock at every dose."""
    plan = duty.plan
    unknown = sorted(set(request.seen) - set(plan.channels))
    if unknown:
        return no_channel(plan, unknown[0]) or Answer(0)
    wrong = swapped(plan, request.seen)
    if wrong is not None:
        failed = duty.hold(wrong, "swap check")
        # A release must not leave an earlier check's word standing: what it saw is not what is there now.
        duty.rounds.account.write(Identified({}), duty.clock.now())
        duty.publish()
        text = (
            f"{wrong[0].upper()}{wrong[1:]}. The rig is held and nothing doses. Put lines, tubes or plan right, then: "
            "dosingd release, and: dosingd identify"
        )
        if failed:
            text = f"A pump may still run: {'; '.join(failed)}. Switch the pumps' supply off now. {text}"
        return Answer(1, {"ok": False, "swapped": wrong}, code="swapped", text=text)
    pins = {name: channel.pump.gpio for name, channel in plan.channels.items()}
    duty.rounds.account.write(Identified(pins), duty.clock.now())
    duty.publish()
    return Answer(
        0, {"ok": True, "message": "Every head filled its own cup from its own reservoir. It holds for these lines."}
    )
