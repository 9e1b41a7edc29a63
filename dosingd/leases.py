"""What may be on until when, and the latch.

Rules this room keeps (R5, R11): "on" is a lease whose end is set before the pin moves; whatever outlives its lease is
forced off and the rig is held with its cause until a person releases it.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

import math

from attrs import evolve, field, frozen

#: How long past the asked run a lease may last. It covers a late wake-up of a busy Pi; the volume it could give is
#: reserved, so a longer margin costs allowance and a shorter one would hold the rig for nothing.
LEASE_MARGIN_S = 0.5
#: A lease's end may be passed by this much before the control loop calls it broken: one turn of the loop.
LEASE_GRACE_S = 0.25
#: From a process that hangs until its watchdog has ended it and the stop helper has driven its line low, at most, on a
#: Pi that is busy: 5 s of the watchdog, 3 s in which it is ended, and the helper's one.
WATCHED_S = 9.0
#: A reboot with a line stuck on: hardware watchdog (15 s at most on a Pi) plus the time until pins are driven low.
WORST_FAULT_S = 90.0

#: How the latch's reason says what happened; the alarms know it by these words.
OUTLIVED = "its lease"
NOT_LOW = "could not be driven low"
READS_HIGH = "still reads high"
LEAK_SENSOR = "the leak sensor"
PLAN_CHANGED = "the plan was changed while no daemon ran"
#: A pump may have run on, or still run.
MAY_HAVE_RUN = (OUTLIVED, NOT_LOW, READS_HIGH, "reads high and cannot be driven low")

RELEASE = "dosingd release"
#: What a person does with a plan that a start found and did not bring into force. Until then a release is refused.
CONFIRM_PLAN = "if the plan is meant: dosingd reload --yes; if not, put the one before back, then: dosingd reload"


def way_out(why: str) -> str:
    """What ends a hold, by its causes in words: the next command, or what a person decides first."""
    return CONFIRM_PLAN if PLAN_CHANGED in why else RELEASE


@frozen
class Lease:
    """One pump's permission to be on, in seconds of CLOCK_BOOTTIME."""

    channel: str
    from_mono_s: float
    end_mono_s: float


@frozen
class Leases:
    """All leases now."""

    current: tuple[Lease, ...] = field(factory=tuple)

    def granted(self, lease: Lease) -> Leases:
        """With one lease more. A second lease while any is running is refused: one pump at a time."""
        if self.current:
            raise ValueError(f"{lease.channel}: {self.current[0].channel} is still running")
        return evolve(self, current=(lease,))

    def ended(self, channel: str) -> Leases:
        """Without the channel's lease."""
        return evolve(self, current=tuple(lease for lease in self.current if lease.channel != channel))

    def outlived(self, mono_s: float) -> tuple[Lease, ...]:
        """The leases whose end has passed."""
        return tuple(lease for lease in self.current if mono_s > lease.end_mono_s + LEASE_GRACE_S)

    def may_be_on(self, channel: str, mono_s: float) -> bool:
        """Whether a lease allows the channel's pump to be on now."""
        return any(lease.channel == channel and mono_s <= lease.end_mono_s for lease in self.current)


def worst_fault_ul(nominal_ul_per_s: float, on_s: float) -> int:
    """What one fault can give at worst, in µL: a kernel that hangs with the pump on, until the reboot drives the line
    low. `on_s` is how long the pump may have been on before: its lease, or longer where that is known."""
    return math.ceil(nominal_ul_per_s * (on_s + WORST_FAULT_S))
