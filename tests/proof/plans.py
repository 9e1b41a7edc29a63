"""Plans for the proof, and the same plans in the oracle's plain numbers. All invented demo data."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import time

from dosingd.chemistry.stock import Strength
from dosingd.plan.model import (
    Apart,
    Channel,
    ClockPolicy,
    DailyChange,
    DailyVolume,
    Follows,
    Limits,
    LocalSpan,
    Plan,
    Pump,
    Reservoir,
    Stock,
    Tank,
    WithoutClock,
)
from dosingd.records import Substance
from tests.proof.oracle import Keeper

CHANNELS = ("alk", "alk2", "ca", "mg")
#: Strength of each channel's stock: substance, eq/L or mol/L. The channel's own substance comes first.
STRENGTHS = {
    "alk": {"alkalinity": 1.0},
    "alk2": {"alkalinity": 0.6},
    "ca": {"calcium": 0.9},
    "mg": {"magnesium": 1.2, "calcium": 0.05},
}
NOMINAL_UL_PER_S = {"alk": 250.0, "alk2": 100.0, "ca": 160.0, "mg": 250.0}
LINE_UL = {"alk": 3500, "alk2": 3500, "ca": 3500, "mg": 12_000}


@dataclass(frozen=True)
class Wish:
    """What the keeper may change between two plans."""

    channels: tuple[str, ...] = CHANNELS
    limit: float = 1.0
    rise: float = 1.0
    run: float = 2.0
    daily: float = 1.0
    doses: int = 8
    gap_s: float = 600.0
    zone: str = "Europe/Lisbon"
    rtc: bool = False
    blind: bool = True
    quiet: bool = False
    line_ul: dict[str, int] = field(default_factory=lambda: dict(LINE_UL))


def _figures(wish: Wish) -> tuple[dict[str, int], dict[str, float]]:
    day_ul = {"alk": 40_000, "alk2": 20_000, "ca": 60_000, "mg": 24_000}
    rise = {"alk": 42_000.0, "alk2": 45_000.0, "ca": 50_000.0, "mg": 27_000.0}
    return {name: int(each * wish.limit) for name, each in day_ul.items()}, {
        name: each * wish.rise for name, each in rise.items()
    }


def plan_of(wish: Wish) -> Plan:
    """The plan as the program knows it."""
    day_ul, rise = _figures(wish)
    gives = {"alk": "alkalinity", "alk2": "alkalinity", "ca": "calcium", "mg": "magnesium"}
    leader = "alk" in wish.channels
    daily: dict[str, DailyChange | DailyVolume | Follows] = {
        "alk": DailyChange(24_000.0 * wish.daily),
        "alk2": DailyVolume(int(8_000 * wish.daily)),
        "ca": Follows("alk") if leader else DailyChange(20_000.0 * wish.daily),
        "mg": Follows("alk", 500.0) if leader else DailyVolume(int(9_000 * wish.daily)),
    }
    apart = [("alk", "ca"), ("alk", "mg"), ("alk2", "ca"), ("ca", "mg")]
    return Plan(
        rig="proof",
        timezone=wish.zone,
        tank=Tank(280.0),
        stocks={
            name: Stock(
                name,
                Substance(gives[name]),
                Strength(
                    STRENGTHS[name].get("alkalinity", 0.0),
                    STRENGTHS[name].get("calcium", 0.0),
                    STRENGTHS[name].get("magnesium", 0.0),
                ),
            )
            for name in CHANNELS
        },
        channels={
            name: Channel(
                name,
                name,
                daily[name],
                wish.doses if name != "mg" else 2,
                Pump(17, NOMINAL_UL_PER_S[name], 200),
                Limits(
                    day_ul[name] // 4,
                    day_ul[name],
                    wish.run * day_ul[name] / NOMINAL_UL_PER_S[name],
                    rise[name],
                ),
                Reservoir(100_000_000, 100_000),
                line_ul=LINE_UL[name],
            )
            for name in wish.channels
        },
        clock=ClockPolicy(rtc=wish.rtc, without=WithoutClock.HALF if wish.blind else WithoutClock.NONE),
        apart=tuple(Apart(pair, wish.gap_s) for pair in apart if set(pair) <= set(wish.channels)),
        quiet=(LocalSpan(time(19), time(19, 30)),) if wish.quiet else (),
        sha256=repr(wish),
    )


def keeper_of(wish: Wish) -> Keeper:
    """The same plan in plain numbers, reckoned here and not by the program."""
    day_ul, rise = _figures(wish)
    limited: dict[str, float] = {}
    for name in wish.channels:
        own = next(iter(STRENGTHS[name]))
        limited[own] = min(rise[name], limited.get(own, float("inf")))
    leader = "alk" in wish.channels
    daily_umol = {"alk": 24_000.0 * wish.daily, "ca": (12_000.0 if leader else 20_000.0) * wish.daily}
    daily_ul = {"alk2": float(int(8_000 * wish.daily)), "mg": float(int(9_000 * wish.daily))}
    if leader:
        daily_umol["mg"] = 12_000.0 * wish.daily
        del daily_ul["mg"]
    apart = [("alk", "ca"), ("alk", "mg"), ("alk2", "ca"), ("ca", "mg")]
    return Keeper(
        dose_ul={name: day_ul[name] // 4 for name in wish.channels},
        day_ul={name: day_ul[name] for name in wish.channels},
        run_s={name: wish.run * day_ul[name] / NOMINAL_UL_PER_S[name] for name in wish.channels},
        cup_ul={
            name: max(30_000.0, min(100_000.0, rise[name] / STRENGTHS[name][next(iter(STRENGTHS[name]))]))
            for name in wish.channels
        },
        rise_umol=limited,
        gap_s={frozenset(pair): wish.gap_s for pair in apart if set(pair) <= set(wish.channels)},
        daily_umol={name: each for name, each in daily_umol.items() if name in wish.channels},
        daily_ul={name: each for name, each in daily_ul.items() if name in wish.channels},
    )
