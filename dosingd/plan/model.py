"""The plan as values: frozen, in inside units (whole µL, seconds, µmol or µeq of the tank), valid by construction.

`plan/reading.py` is the only maker of these from text. Nothing here knows YAML, pint or a default that a keeper
did not see in README.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import time
from enum import StrEnum

from attrs import field, frozen

from dosingd.chemistry.stock import Strength
from dosingd.records import Substance


class WithoutClock(StrEnum):
    """What happens when the clock is not trusted for 12 h (R14)."""

    HALF = "half"
    NONE = "none"


@frozen
class ClockPolicy:
    rtc: bool = False
    without: WithoutClock = WithoutClock.HALF


@frozen
class Tank:
    water_l: float
    salinity: float = 35.0  #: practical salinity
    temperature_c: float = 25.0
    co2_ppm: float | None = None


@frozen
class SaltPortion:
    """One salt of a stock: grams weighed in, and the mass fraction of the named salt in them (None: not said).
    For `baked soda` the grams are of the bicarbonate that went into the oven."""

    salt: str
    mass_g: float
    assay: float | None = None


@frozen
class Stock:
    id: str
    gives: Substance
    strength: Strength | None  #: None only for `other` without a strength
    salts: tuple[SaltPortion, ...] = ()
    made_up_to_l: float | None = None
    coldest_c: float = 20.0


@frozen
class DailyChange:
    """A change of the tank a day, in µmol (µeq for alkalinity) of the whole tank; not rounded."""

    change_umol: float


@frozen
class DailyVolume:
    volume_ul: int


@frozen
class Follows:
    """Bound to another channel's planned change. `per_meq_umol`: µmol of the tank for each meq of the leader's
    alkalinity; None: balanced, 1 mol calcium for 2 eq of alkalinity."""

    channel: str
    per_meq_umol: float | None = None


@frozen
class LocalSpan:
    """A span of local time of day; `to` at or before `from_` runs over midnight. `to` may be 24:00, kept as 00:00."""

    from_: time
    to: time


@frozen
class Window:
    span: LocalSpan
    share: float  #: 0 to 1, of the day's volume


@frozen
class Pump:
    gpio: int
    nominal_ul_per_s: float
    smallest_ul: int = 1
    speed: float | None = None  #: 0 to 1 makes it PWM; None is on/off


@frozen
class Limits:
    dose_ul: int
    day_ul: int
    run_s: float  #: motor seconds per 24 h; by default 2 * day / nominal flow
    rise_umol: float | None  #: change of the whole tank per 24 h; None only for `other`


@frozen
class Float:
    gpio: int
    low_when_open: bool


@frozen
class Reservoir:
    holds_ul: int
    reserve_ul: int
    warn_days: float = 7.0
    float_: Float | None = None


@frozen
class Channel:
    id: str
    stock: str
    daily: DailyChange | DailyVolume | Follows
    doses: int
    pump: Pump
    limits: Limits
    reservoir: Reservoir
    when: tuple[Window, ...] = ()
    line_ul: int | None = None


@frozen
class Apart:
    between: tuple[str, ...]
    gap_s: float


@frozen
class Input:
    """A switch: `closed_means` is True when the closed contact is the state in its name (runs, wet, holds)."""

    name: str
    gpio: int
    when_closed: bool


@frozen
class Broker:
    host: str
    port: int = 1883
    tls: bool = False
    ca_file: str | None = None
    username: str | None = None
    password_file: str | None = None
    hub_discovery: bool = False
    hub_prefix: str = "homeassistant"
    orders: tuple[str, ...] = ()


@frozen
class Plan:
    rig: str
    timezone: str
    tank: Tank
    stocks: Mapping[str, Stock]
    channels: Mapping[str, Channel]
    clock: ClockPolicy = ClockPolicy()
    apart: tuple[Apart, ...] = ()
    quiet: tuple[LocalSpan, ...] = ()
    inputs: Mapping[str, Input] = field(factory=dict)
    keep_alive_gpio: int | None = None
    alarm_output_gpio: int | None = None
    mqtt: Broker | None = None
    sha256: str = ""
    #: The file that it was read from, to the byte; empty for a plan that was read from none.
    text: str = field(default="", repr=False, eq=False)

    def stock_of(self, channel: str) -> Stock:
        """The stock that the plan names for a channel."""
        return self.stocks[self.channels[channel].stock]

    def gap_s(self, one: str, other: str) -> float:
        """Seconds that must lie between a run of one channel and a run of the other; 0 when no rule joins them."""
        return max(
            (rule.gap_s for rule in self.apart if one != other and one in rule.between and other in rule.between),
            default=0.0,
        )

    def widest_gap_s(self, channel: str) -> float:
        """The widest gap that any rule asks of this channel, in seconds."""
        return max((self.gap_s(channel, other) for other in self.channels), default=0.0)
