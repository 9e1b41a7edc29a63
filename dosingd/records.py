"""What the ledger keeps: events and outcomes, each a frozen value, and the instant each was written.

Rules this room serves (DEVELOPERS.md, "Rules"): R1 (reserve, then pump) and R2 (only elapsed time earns).
Everything the daemon knows about the past is derived from these rows and nothing else, so a row holds
whole numbers (microlitres, milliseconds, micromoles) and never a figure that could be derived.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from attrs import field, frozen


class Substance(StrEnum):
    """What a stock gives. `other` has no strength: only volume limits hold for it."""

    ALKALINITY = "alkalinity"
    CALCIUM = "calcium"
    MAGNESIUM = "magnesium"
    OTHER = "other"


class Purpose(StrEnum):
    """Why a pump runs."""

    SCHEDULED = "scheduled"
    MANUAL = "manual"
    PRIME = "prime"
    CALIBRATION = "calibration"


class Into(StrEnum):
    """Where the outlet hangs: over the tank, or over a measuring cup."""

    TANK = "tank"
    CUP = "cup"


class Outcome(StrEnum):
    """What became of a dose."""

    GIVEN = "given"
    PARTIAL = "partial"
    REFUSED = "refused"
    MISSED = "missed"
    UNKNOWN = "unknown"


@frozen
class Reading:
    """One look at the clocks: wall time (aware UTC), boot id, CLOCK_BOOTTIME in seconds, and whether the
    system says that the wall clock is synchronised."""

    wall_at: datetime
    boot_id: str
    mono_s: float
    synchronised: bool


@frozen
class LimitsRow:
    """A channel's limits as they stood when a plan was loaded; the buckets' depths follow from them."""

    day_ul: int
    run_ms: int
    #: Limit of the tank's change per 24 h in whole µmol (µeq for alkalinity) by substance: the smallest
    #: over the channels that give it. Only the substances that this channel's stock adds.
    rise_umol: Mapping[str, int] = field(factory=dict)
    #: Depth of the channel's cup bucket.
    cup_ul: int = 30_000


@frozen
class HeadRow:
    """What a calibration holds for: the line that switches the pump, its speed, its nominal flow, its line's volume."""

    gpio: int
    nominal_ul_per_s: float
    speed: float | None = None
    line_ul: int | None = None


@frozen
class LedgerMade:
    """The first row. Made by `dosingd init` and by nothing else."""

    ledger_id: str
    bench: bool
    full: bool = False  #: a rehearsal may begin with full buckets; a real ledger begins at zero


@frozen
class PlanLoaded:
    """A plan came into force."""

    sha256: str
    rig: str
    timezone: str
    channels: Mapping[str, LimitsRow]
    #: The first instant of this zone's dosing days; a changed zone begins at its first midnight at least 24 h ahead.
    zone_from_at: datetime
    #: The plan's file to the byte, so that a start can say what was changed since; None in older rows.
    text: str | None = None
    #: By channel; an older row does not say, and is empty.
    heads: Mapping[str, HeadRow] = field(factory=dict)
    #: What each channel's reservoir holds, by channel; an older row does not say, and is empty.
    holds_ul: Mapping[str, int] = field(factory=dict)
    #: A person was asked about it, and said yes.
    confirmed: bool = False


@frozen
class Calibrated:
    """The flow behind a channel, from timed test runs: volume = flow * time + lag."""

    channel: str
    flow_ul_per_s: float
    lag_ul: float = 0.0
    runs: tuple[tuple[float, float], ...] = ()  #: (seconds, microlitres) as measured, kept for ever
    source: str = "measured"  #: measured (timed by the daemon) | declared (timed by the keeper) | bench
    head: HeadRow | None = None  #: None in older rows: it holds for the plan that was in force when it was booked
    flow_error_ul_per_s: float | None = None  #: standard error
    lag_error_ul: float | None = None  #: standard error
    residual_rms_ul: float | None = None
    interval95_percent: float | None = None  #: half of the 95 % interval of one dose of `dose_ul`, over its volume
    dose_ul: int | None = None  #: the dose that the plan asked for then
    water_c: float | None = None  #: of masses: the temperature of the water that was weighed
    density_kg_per_l: float | None = None  #: of masses: what was weighed
    second_set: bool = False  #: far off the last one, and accepted because a first set of runs said the same


@frozen
class CalibrationDoubted:
    """Test runs whose flow is too far off the last one on the same tubing to be believed at once. Doses go on by the
    last one; a second set of runs that agrees with these is accepted."""

    channel: str
    flow_ul_per_s: float
    lag_ul: float
    runs: tuple[tuple[float, float], ...]  #: (seconds, microlitres) as measured, kept for ever
    source: str
    head: HeadRow
    reason: str
    water_c: float | None = None
    density_kg_per_l: float | None = None


@frozen
class Retubed:
    """New head tubing: whatever was calibrated before says nothing about it."""

    channel: str


@frozen
class Identified:
    """The swap check was passed: each head filled its own cup from its own reservoir, on these lines (by channel)."""

    gpios: Mapping[str, int]


@frozen
class Refilled:
    """A reservoir was refilled to `to_ul`; `strength` is in mol/L (eq/L for alkalinity) by substance."""

    channel: str
    to_ul: int
    found_ul: int | None
    stock: str
    strength: Mapping[str, float]
    line_ul: int  #: what the tubing still holds of the stock before
    #: What the plan said of the named stock's strength then; None: not kept, so that nothing can be held against it.
    poured: Mapping[str, float] | None = None
    measured: bool = True  #: False: the level is the books' own, and a person confirmed the stock alone


@frozen
class Reserved:
    """Volume and motor time to the lease's end, committed before the pin moves (R1)."""

    channel: str
    purpose: Purpose
    into: Into
    asked_ul: int
    reserved_ul: int
    run_ms: int
    lease_ms: int
    nominal_ul_per_s: float
    #: What the tank would change by at the outlet's strength, in µmol (µeq) by substance, for `reserved_ul`.
    change_umol: Mapping[str, int] = field(factory=dict)
    #: The planned change that the asked volume is, in µmol (µeq) of the channel's own substance; None without strength.
    asked_umol: float | None = None
    slot: str | None = None
    due_at: datetime | None = None
    day: date | None = None  #: the dosing day it counts in; None when dosed without a clock
    lag_ul: float = 0.0  #: what a run gives beyond flow * time, where that is more than nothing
    #: The levels after the reservation, in thousandths of the bucket's unit, so that an audit needs no replay.
    levels: Mapping[str, int] = field(factory=dict)


@frozen
class Settled:
    """What a reservation came to. Gives back at most reserved − given."""

    reservation: int  #: the seq of the Reserved row
    channel: str
    outcome: Outcome
    given_ul: int
    ran_ms: int
    change_umol: Mapping[str, int] = field(factory=dict)
    slot: str | None = None
    reason: str = ""


@frozen
class NotGiven:
    """A dose that was refused or missed; nothing was pumped."""

    channel: str
    outcome: Outcome
    asked_ul: int
    reason: str
    purpose: Purpose = Purpose.SCHEDULED
    facts: Mapping[str, Any] = field(factory=dict)
    slot: str | None = None
    due_at: datetime | None = None
    day: date | None = None
    doses: int = 1  #: more than one when whole days passed with the power off
    asked_umol: float | None = None


@frozen
class Held:
    """The latch: every pump off until a person releases the rig."""

    reason: str


@frozen
class Released:
    """A person released the rig; with a `cause`, of that one alone, and every other still holds it."""

    by: str
    cause: str | None = None


@frozen
class Paused:
    """A stop that ends by itself: `until_proven_ms` of proven time (None ends a pause now)."""

    until_proven_ms: int | None
    until_at: datetime | None = None


@frozen
class Started:
    """The daemon (or a rehearsal) came up with every line low."""

    version: str


#: A stop that nobody asked for.
STOPPED_BY_FAULT = "by an error"


@frozen
class Stopped:
    """The daemon went down, and said so: by which signal, or STOPPED_BY_FAULT."""

    reason: str


@frozen
class Stamp:
    """A row that proves that time has passed."""


@frozen
class ClockMoved:
    """Wall clock and CLOCK_BOOTTIME parted by this many seconds."""

    by_s: float


@frozen
class ClockConfirmed:
    """The wall clock is right although it is behind the newest ledger time: by a person, or 6 h synchronised."""

    by: str


@frozen
class Ordered:
    """An order from the broker was taken: written before it is carried out, and each id once for ever (R10)."""

    id: str
    verb: str
    channel: str | None
    volume_ul: int | None
    at: datetime  #: when it was given, and when it ends, by its own word
    expires_at: datetime


@frozen
class Switched:
    """A switch of the plan's `inputs`, or a reservoir's float, says something else than before."""

    name: str  #: as in `inputs`; `float.CHANNEL` for a float
    says: str  #: in words, such as `wet`


Event = (
    LedgerMade
    | PlanLoaded
    | Calibrated
    | CalibrationDoubted
    | Retubed
    | Identified
    | Refilled
    | Reserved
    | Settled
    | NotGiven
    | Held
    | Released
    | Paused
    | Started
    | Stopped
    | Stamp
    | ClockMoved
    | ClockConfirmed
    | Ordered
    | Switched
)


@frozen
class Row:
    """One row of the ledger: an event, its number, and the instant it was written."""

    seq: int
    reading: Reading
    event: Event
    #: Proven time: milliseconds that have certainly passed since the ledger was made (R2, R9). In one boot the
    #: BOOTTIME since the newest row; across boots the BOOTTIME since the boot. Never from the wall clock.
    proven_ms: int


def proven_ms_after(newest: Row | None, reading: Reading) -> int:
    """Proven time at `reading`, in milliseconds, given the newest row.

    Same boot id: the newest row's proven time plus max(0, BOOTTIME now - BOOTTIME then). Another boot id: plus the
    BOOTTIME since that boot began. Rounded down, so that time is never credited twice.
    """
    if newest is None:
        return 0
    if newest.reading.boot_id == reading.boot_id:
        elapsed_s = max(0.0, reading.mono_s - newest.reading.mono_s)
    else:
        elapsed_s = max(0.0, reading.mono_s)
    return newest.proven_ms + int(elapsed_s * 1000)
