"""The catalogue of alarms: for each kind what causes it, how bad it is, when it ends, and whether it needs a person.

The words with numbers are made where the cause is seen; here stands what is the same for every alarm of a kind. README
prints it, and a kind that is not in here is red in the tests.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum

from attrs import frozen

from dosingd.alarms import Kind


class Severity(IntEnum):
    """How bad it is, for the log's priority, the lamp, and a person who decides whether to drive home."""

    NOTICE = 1  #: good to know
    WARNING = 2  #: within days
    URGENT = 3  #: something is not dosed, or may be wrong at the pumps: today


@frozen
class Entry:
    """One kind of alarm. `answer` is what a person does to end it; None: it ends by itself and waits for nobody."""

    severity: Severity
    cause: str
    ends: str
    answer: str | None = None
    #: A cause that is over leaves the alarm standing until a person has answered it.
    latched: bool = False
    #: How long after a start of the daemon its cause may go unseen, although it is still there.
    seen_again_s: float = 0.0


_N, _W, _U = Severity.NOTICE, Severity.WARNING, Severity.URGENT
_REFILL = "`dosingd refill`"
_RELEASE = "`dosingd release`"

CATALOGUE: Mapping[Kind, Entry] = {
    Kind.HELD: Entry(_U, "the latch is set: every pump is off", "when it is released", _RELEASE),
    Kind.PUMP_OUTLIVED: Entry(
        _U, "a pump outlived its lease, or its line did not go low", "when the rig is released", _RELEASE
    ),
    Kind.LEAK: Entry(
        _U,
        "the leak sensor is wet, or held the rig",
        "when it is dry and the rig is released",
        _RELEASE,
        seen_again_s=60,
    ),
    Kind.NO_LEDGER: Entry(_U, "the ledger refuses a row, so no pump runs", "at a start with a ledger", "mend the disk"),
    Kind.CANNOT_LAY: Entry(_U, "today's doses fit nowhere", "when a day can be laid", "mend the plan"),
    Kind.RESTART_LOOP: Entry(
        _U,
        "three starts within an hour that nobody asked for",
        "after an hour without, once it is answered",
        _RELEASE,
        latched=True,
    ),
    Kind.SHORTFALL: Entry(
        _U, "over three tenths of 48 h were not given", "when 48 h are whole again", "test the water"
    ),
    Kind.WITHOUT_CLOCK: Entry(_U, "no trusted clock for 12 h", "when the clock is trusted", "set the clock"),
    Kind.CLOCK_UNTRUSTED: Entry(_W, "the wall clock cannot be believed", "when it is trusted, or after 12 h"),
    Kind.CLOCK_MOVED: Entry(_N, "the wall clock jumped", "after 24 h"),
    Kind.RESERVOIR_LOW: Entry(_W, "fewer days are left than `warn`", "when it is refilled", _REFILL),
    Kind.RESERVOIR_RESERVE: Entry(_U, "only the reserve is left: it stops", "when it is refilled", _REFILL),
    Kind.NO_STRENGTH: Entry(_U, "what is in the reservoir does not give what it should", "at a refill", _REFILL),
    Kind.STOCK_DIFFERS: Entry(
        _U, "the reservoir holds another stock than the plan says", "when its stock is named", _REFILL
    ),
    Kind.RESERVOIR_UNKNOWN: Entry(
        _U, "no refill was booked: nobody knows level and strength", "when one is", "`dosingd refill --to`"
    ),
    Kind.FLOW_ERROR: Entry(
        _W, "a refill shows that the pump gives another volume than is booked", "when calibrated", "`dosingd calibrate`"
    ),
    Kind.LEVEL_DIFFERS: Entry(
        _U, "a reservoir's level is not what the books say", "when a level found agrees", "`dosingd refill --found`"
    ),
    Kind.CALIBRATION_DUE: Entry(_W, "a calibration falls due within 14 days", "when calibrated", "`dosingd calibrate`"),
    Kind.NO_CALIBRATION: Entry(_U, "no calibration holds: it does not dose", "when calibrated", "`dosingd calibrate`"),
    Kind.IDENTIFY_DUE: Entry(_W, "nobody saw yet which head is on which line", "when seen", "`dosingd identify`"),
    Kind.DOSE_REFUSED: Entry(_W, "the gate refused a scheduled dose", "after 24 h without"),
    Kind.DOSES_MISSED: Entry(_W, "a scheduled dose was not given in its time", "after 24 h without"),
    Kind.DOSE_UNKNOWN: Entry(_W, "the end of a run was not seen: it is booked in full", "after 24 h without"),
    Kind.PAUSE_ENDED: Entry(_N, "a pause ended by itself: the pumps run again", "after an hour"),
    Kind.INPUT_WANTED: Entry(
        _W,
        "a guided session was left open, and the channel doses again",
        "at the next run by hand of that channel, or when it is answered",
        f"`dosingd prime`, or {_RELEASE}",
        latched=True,
    ),
    Kind.PLAN_REFUSED: Entry(
        _W, "a changed plan was refused: the one before stays in force", "at a reload that works", "`dosingd reload`"
    ),
    Kind.PLAN_CHANGED: Entry(
        _U,
        "a start found a plan that `reload` would ask about, so it holds",
        "when a person brought a plan into force",
        "`dosingd reload --yes`",
    ),
    Kind.BROKER_UNREACHABLE: Entry(_W, "no broker for 10 minutes: nobody hears of the rig", "when it is back"),
    Kind.BROKER_DENIES: Entry(
        _W,
        "the broker keeps orders or a hub's start from the rig, or takes not all it says",
        "when it lets it",
        "mend the broker's access list",
    ),
    Kind.NO_CIRCULATION: Entry(
        _U, "no flow in the tank: no dose", "when it flows", "see to the tank's pump", seen_again_s=60
    ),
    Kind.FLOAT_LOW: Entry(_W, "the float in a reservoir is low", "when it is up", _REFILL, seen_again_s=120),
    Kind.INPUT_DISAGREES: Entry(
        _W, "a float and the books disagree for 10 minutes", "when they agree", _REFILL, seen_again_s=720
    ),
    Kind.INPUT_CHATTERS: Entry(_W, "a switch opens and closes", "when it rests", "see to the switch", seen_again_s=180),
    Kind.INPUT_UNREADABLE: Entry(_W, "a switch cannot be read", "when it can", "see to the switch", seen_again_s=60),
    Kind.INPUT_UNTRIED: Entry(
        _N, "a switch said nothing else for 90 days", "when it changes", "try the switch", seen_again_s=60
    ),
}
