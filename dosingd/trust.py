"""When the wall clock may be believed (R14): as pure steps over readings.

- Trusted: the system says synchronised (sticky within a boot, unless wall - BOOTTIME moves by more than 2 s while not
  synchronised), or the plan declares a battery-backed clock (RTC).
- A clock behind the newest ledger time is not trusted until it has been synchronised for 6 h of BOOTTIME, or a person
  confirms it: a date that came back must not hand out a second day.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from attrs import frozen

from dosingd.records import Reading

#: Wall clock and CLOCK_BOOTTIME parting by more than this is a jump, not a slew.
JUMP_S = 2.0
#: How long a clock that is behind the ledger must stay synchronised before it is believed.
BEHIND_S = 6 * 3600.0
#: Without a trusted clock for so long in this boot, doses are laid without it.
UNCLOCKED_AFTER_S = 12 * 3600.0


@frozen
class Trust:
    """What is believed of the clock after one reading."""

    trusted: bool
    source: str  #: network | rtc | none
    behind: bool = False  #: the wall clock is behind the newest ledger time
    confirm_due: bool = False  #: synchronised for 6 h although behind: the ledger may be told that the clock is right
    jumped_s: float = 0.0  #: how far wall clock and BOOTTIME parted since the reading before
    #: BOOTTIME since which the clock has not been trusted in this boot; None while trusted.
    untrusted_since_mono_s: float | None = 0.0
    boot_id: str = ""
    offset_s: float = 0.0  #: wall - BOOTTIME at this reading
    sticky: bool = False
    sticky_offset_s: float = 0.0  #: wall - BOOTTIME when it was last synchronised
    synchronised_since_mono_s: float | None = None


def offset_s(reading: Reading) -> float:
    """Wall clock minus CLOCK_BOOTTIME, in seconds: constant unless one of them is set."""
    return reading.wall_at.timestamp() - reading.mono_s


def step(
    before: Trust | None,
    reading: Reading,
    *,
    rtc: bool,
    newest_wall_at: datetime | None,
    last_synchronised_mono_s: float | None = None,
) -> Trust:
    """What to believe after this reading.

    `before` is what was believed at the reading before it, None at a start. `newest_wall_at` is the newest ledger
    time. `last_synchronised_mono_s` is the BOOTTIME, in this boot, of the newest ledger row that was written
    synchronised: the 12 hours of R14 count from it when the daemon itself has just started.
    """
    if before is not None and before.boot_id != reading.boot_id:
        before, last_synchronised_mono_s = None, None
    offset = offset_s(reading)
    moved_s = 0.0 if before is None else offset - before.offset_s
    jumped_s = moved_s if abs(moved_s) > JUMP_S else 0.0
    if reading.synchronised:
        sticky, sticky_offset_s = True, offset
        # The system's flag stays up when a hand sets the clock, so a jump begins the 6 hours anew.
        since = (
            reading.mono_s
            if before is None or before.synchronised_since_mono_s is None or jumped_s
            else before.synchronised_since_mono_s
        )
    else:
        sticky_offset_s = 0.0 if before is None else before.sticky_offset_s
        sticky = before is not None and before.sticky and abs(offset - sticky_offset_s) <= JUMP_S
        since = None
    behind = newest_wall_at is not None and reading.wall_at < newest_wall_at - timedelta(seconds=JUMP_S)
    trusted = (sticky or rtc) and not behind
    untrusted_since: float | None = None
    if not trusted:
        if before is None:
            untrusted_since = last_synchronised_mono_s or 0.0
        elif before.untrusted_since_mono_s is None:
            untrusted_since = reading.mono_s
        else:
            untrusted_since = before.untrusted_since_mono_s
    return Trust(
        trusted=trusted,
        source="network" if sticky else "rtc" if rtc else "none",
        behind=behind,
        confirm_due=behind and since is not None and reading.mono_s - since >= BEHIND_S,
        jumped_s=jumped_s,
        untrusted_since_mono_s=untrusted_since,
        boot_id=reading.boot_id,
        offset_s=offset,
        sticky=sticky,
        sticky_offset_s=sticky_offset_s,
        synchronised_since_mono_s=since,
    )
