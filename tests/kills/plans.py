"""Plans that dose every few seconds on pretend pins, and the same figures in plain numbers for the oracle.

The rigs and their figures are invented. A run lasts 1.2 s, one every 2.5 s, so that a pin is on for half of the time.
The doses lie in one window of some minutes, because a start lays the whole day and should not take long.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from tests.kills.oracle import Keeper

FLOW_UL_PER_S = 100.0
DOSE_UL, RUN_S, PERIOD_S, GAP_S = 120, 1.2, 5.0, 1.0
LEASE_MARGIN_S = 0.5
#: 1 eq/L and 40.078 g/L of calcium (IUPAC 2021: 40.078 g/mol) are 1 µeq and 1 µmol in each µL.
UMOL_PER_UL = {"alk": {"alkalinity": 1.0}, "ca": {"calcium": 1.0}}
WATER_L = 100_000
MG_PER_MMOL = 40.078
#: 1 dKH is the alkalinity of 10 mg CaO per litre: 2 * 10 / 56.077 meq/L.
MEQ_PER_DKH = 20 / 56.077


@dataclass(frozen=True)
class Limits:
    """What may be given in 24 hours. What a bucket fills by in a second is 3/4 of it in 87,000 s."""

    day_ml: float
    run_h: float
    rise_mg_per_l: float


#: 86 µL/s are earned and at most 24 µL/s are dosed: what a killed run costs is soon earned again.
ROOMY = Limits(10_000, 24, 200)
#: Less is earned than the plan doses: 15.5 µL/s, 0.19 s of motor and 15.5 µmol/s. So doses are refused all the time,
#: and the limits decide: volume for alk, the tank's rise for ca, and for both what a kill costs.
TIGHT = Limits(1_800, 6, 0.72)
PLAN = """\
rig: bench
timezone: {zone}
clock: {{rtc: true}}
tank: {{water: {water} L}}
stocks:
  soda: {{gives: alkalinity, strength: {{alkalinity: 1 eq/L}}}}
  chloride: {{gives: calcium, strength: {{calcium: 40.078 g/L}}}}
channels:
  alk:
    stock: soda
    daily: {daily:g} mL
    doses: {doses}
    when: [{{from: "{start}", to: "{end}", share: 100 %}}]
    pump: {{gpio: 17, nominal_flow: 6 mL/min, smallest: 0.05 mL}}
    limits: {{dose: 0.15 mL, day: {limits.day_ml:g} mL, run: {limits.run_h:g} h, rise: 30 dKH}}
    reservoir: {{holds: 100 L}}
  ca:
    stock: chloride
    daily: {daily:g} mL
    doses: {doses}
    when: [{{from: "{start}", to: "{end}", share: 100 %}}]
    pump: {{gpio: 27, nominal_flow: 6 mL/min, smallest: 0.05 mL}}
    limits: {{dose: 0.15 mL, day: 10 L, run: 24 h, rise: {limits.rise_mg_per_l:g} mg/L}}
    reservoir: {{holds: 100 L}}
apart:
  - {{between: [alk, ca], gap: {gap:g} s}}
"""


def plan_text(limits: Limits, now_at: datetime, minutes: int) -> str:
    """A plan that doses from now on for so many minutes, all within one dosing day: it is about noon in its zone."""
    hours = 12 - now_at.hour
    local_at = now_at + timedelta(hours=hours)
    start_at, end_at = local_at - timedelta(minutes=2), local_at + timedelta(minutes=minutes)
    doses = int((minutes + 2) * 60 / PERIOD_S)
    return PLAN.format(
        zone=f"Etc/GMT{-hours:+d}",  # the sign of these zones is the other way round
        water=WATER_L,
        daily=doses * DOSE_UL / 1000,
        doses=doses,
        start=f"{start_at:%H:%M}",
        end=f"{end_at:%H:%M}",
        limits=limits,
        gap=GAP_S,
    )


def keeper(limits: Limits) -> Keeper:
    """The same plan's figures."""
    return Keeper(
        ul_per_s={"alk": FLOW_UL_PER_S, "ca": FLOW_UL_PER_S},
        dose_ul={"alk": 150.0, "ca": 150.0},
        day_ul={"alk": limits.day_ml * 1000, "ca": 10_000_000.0},
        run_s={"alk": limits.run_h * 3600, "ca": 24 * 3600.0},
        gap_s={frozenset(("alk", "ca")): GAP_S},
        rise_umol={
            "alkalinity": 30 * MEQ_PER_DKH * WATER_L * 1000,
            "calcium": limits.rise_mg_per_l / MG_PER_MMOL * WATER_L * 1000,
        },
        umol_per_ul=UMOL_PER_UL,
    )
