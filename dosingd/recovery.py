"""What a reservation that was found open is booked as (R1): the most that can have gone in. It is never retried.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math

from attrs import evolve, frozen

from dosingd.allowance import STAMP_S
from dosingd.leases import LEASE_GRACE_S, OUTLIVED, WATCHED_S, WORST_FAULT_S, worst_fault_ul
from dosingd.records import Outcome, Reading, Reserved, Row, Settled


@frozen
class LinesLow:
    """The stop helper's word: each of these lines read low at `mono_s` (CLOCK_BOOTTIME) of the boot `boot_id`."""

    boot_id: str
    mono_s: float
    gpios: frozenset[int]


def line_low(row: Row, low: Reading, helper: LinesLow | None, gpio: int | None) -> Reading:
    """The reading by which the line of a reservation that was found open was low for certain.

    `low` is this start's own driving low, `helper` what the stop helper wrote down, `gpio` the line that the run was
    on, None if that is not sure. The helper is believed only where it speaks of this run: it named the line, in the
    boot of the reservation and of this start, after the one and before the other. Else `low` stands.
    """
    if helper is None or gpio is None or gpio not in helper.gpios or not _between(row, helper, low):
        return low
    return evolve(low, mono_s=helper.mono_s)


def _between(row: Row, helper: LinesLow, low: Reading) -> bool:
    """Whether the stop helper wrote after the reservation and before this start, in the boot of both."""
    if not row.reading.boot_id == helper.boot_id == low.boot_id:
        return False
    return row.reading.mono_s < helper.mono_s < low.mono_s


def outlived(row: Row, low: Reading, helper: LinesLow | None, gpio: int | None, *, bench: bool) -> str | None:
    """Why the rig is to be held for a reservation that was found open (R5); None: its line is not known to have been
    high past its lease. The arguments are those of `line_low`.

    Known is the stop helper's word where it speaks of this run, and without any word of it on real pins this start's
    own driving low: a line that a process lets go of keeps its level. What watchdog and helper need is not held
    against a run that hung shortly before its end: they did what they are for, and the run is booked. Not known, so
    not held: across a reboot; where the helper drove lines low after the run began and it is not sure that this one
    was among them; and on a bench, whose pretend line nobody drives low when its process ends.
    """
    reserved = row.event
    if not isinstance(reserved, Reserved) or low.boot_id != row.reading.boot_id:
        return None
    low_by = line_low(row, low, helper, gpio)
    if low_by is low and (bench or (helper is not None and _between(row, helper, low))):
        return None
    on_s, lease_s = low_by.mono_s - row.reading.mono_s, reserved.lease_ms / 1000
    if not on_s > lease_s + LEASE_GRACE_S + WATCHED_S:
        return None
    return (
        f"{reserved.channel}: the daemon ended in the midst of its run, and its line was driven low {on_s:.1f} s after"
        f" the run was booked, past {OUTLIVED} of {lease_s:.1f} s."
    )


def booked_after_loss(row: Row, low: Reading, newest: Row) -> Settled:
    """The settlement of a reservation whose run nobody saw the end of.

    `low` is the reading by which its line was low: this start's, or the stop helper's (`line_low`). In the same boot
    the pump may have run since the reservation, at its nominal flow and with its lag; after a reboot, or where BOOTTIME
    fell back and tells nothing, the plan's worst case of one fault holds. `newest` is the newest row before this: where
    a rig went on booking with the reservation open, because a line did not answer, that time is proven and counts as
    well, and so does the time until the stamp that would have come next. Never less than what was reserved.
    """
    reserved = row.event
    if not isinstance(reserved, Reserved):
        raise TypeError(f"row {row.seq} is not a reservation")
    if low.boot_id == row.reading.boot_id and low.mono_s >= row.reading.mono_s:
        on_s = low.mono_s - row.reading.mono_s
        could_ul = math.ceil(reserved.nominal_ul_per_s * on_s + reserved.lag_ul)
    else:
        could_s = reserved.lease_ms / 1000
        if newest.seq > row.seq:
            could_s = max(could_s, (newest.proven_ms - row.proven_ms) / 1000 + STAMP_S)
        on_s = could_s + WORST_FAULT_S
        could_ul = worst_fault_ul(reserved.nominal_ul_per_s, could_s) + math.ceil(reserved.lag_ul)
    given_ul = max(reserved.reserved_ul, could_ul)
    return Settled(
        reservation=row.seq,
        channel=reserved.channel,
        outcome=Outcome.UNKNOWN,
        given_ul=given_ul,
        ran_ms=max(reserved.lease_ms, math.ceil(on_s * 1000)),
        change_umol=change_of(reserved, given_ul),
        slot=reserved.slot,
        reason="the run's end was not seen; the most that can have gone in is booked",
    )


def change_of(reserved: Reserved, given_ul: int) -> dict[str, int]:
    """The tank's change for a given volume, in whole µmol by substance, rounded up; in proportion to the reserved."""
    return {key: -(-amount * given_ul // reserved.reserved_ul) for key, amount in reserved.change_umol.items()}
