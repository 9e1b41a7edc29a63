"""Files of pulses and ledgers made by hand, for the tests of the oracle."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from tests.kills.oracle import Keeper, Outage, breaches

#: A day limit of 87 mL: 21.75 mL deep, and 0.75 µL are earned each second.
KEEPER = Keeper(
    ul_per_s={"alk": 100.0, "ca": 100.0},
    dose_ul={"alk": 150.0, "ca": 150.0},
    day_ul={"alk": 87_000.0, "ca": 87_000.0},
    run_s={"alk": 8_700.0, "ca": 8_700.0},
    gap_s={frozenset(("alk", "ca")): 60.0},
    rise_umol={"alkalinity": 870_000.0, "calcium": 870_000.0},
    umol_per_ul={"alk": {"alkalinity": 1.0}, "ca": {"calcium": 1.0}},
)
WALL_US = 1_700_000_000_000_000  #: of the ledger's making, which is BOOTTIME 1,000 s


@dataclass
class Pair:
    """A file of pulses and a ledger, to be written as they stand here."""

    levels: list[tuple[str, bool, float]] = field(default_factory=list)
    rows: list[tuple[str, float, dict[str, Any]]] = field(default_factory=list)
    outages: list[Outage] = field(default_factory=list)
    stops_s: list[float] = field(default_factory=list)
    proven_ms: dict[int, int] = field(default_factory=dict)  #: by row, where it is not what it should be
    witness: int | None = None
    torn: str = ""

    def dose(self, channel: str, at_s: float, *, ran_s: float = 1.2, outcome: str = "given", **body: Any) -> None:
        """A dose of 120 µL: reserved 20 ms before it begins, booked 20 ms after it ended."""
        self.reserve(channel, at_s - 0.02, slot=body.pop("slot", f"{channel}/{at_s}"))
        self.levels += [(channel, True, at_s), (channel, False, at_s + ran_s)]
        self.settle(channel, at_s + ran_s + 0.02, outcome, ran_s, **body)

    def reserve(self, channel: str, at_s: float, **more: Any) -> None:
        body = {
            "channel": channel,
            "asked_ul": 120,
            "reserved_ul": 170,
            "run_ms": 1200,
            "lease_ms": 1700,
            "nominal_ul_per_s": 100.0,
            "due_at_us": WALL_US + round((at_s - 1000) * 1e6),
        }
        self.rows.append(("reserved", at_s, body | more))

    def settle(self, channel: str, at_s: float, outcome: str, ran_s: float, **more: Any) -> None:
        body = {
            "reservation": len(self.rows),
            "channel": channel,
            "outcome": outcome,
            "given_ul": -int(-ran_s * 100 // 1),
            "ran_ms": -int(-ran_s * 1000 // 1),
        }
        self.rows.append(("settled", at_s, body | more))

    def write(self, state: Path) -> None:
        lines = [json.dumps({"channel": name, "on": on, "boot_mono_s": at_s}) for name, on, at_s in self.levels]
        (state / "pulses.jsonl").write_text("".join(f"{line}\n" for line in lines) + self.torn)
        ledger = sqlite3.connect(state / "ledger.sqlite")
        ledger.execute(
            "CREATE TABLE rows (seq, kind, wall_at_us, boot_id, mono_us, synchronised, proven_ms, channel, slot,"
            " reservation, body, hash)"
        )
        for seq, (kind, at_s, body) in enumerate(self.rows, 1):
            ledger.execute(
                "INSERT INTO rows VALUES (?, ?, ?, 'boot', ?, 0, ?, ?, ?, ?, ?, '')",
                (
                    seq,
                    kind,
                    WALL_US + round((at_s - 1000) * 1e6),
                    round(at_s * 1e6),
                    self.proven_ms.get(seq, int((at_s - 1000) * 1000)),
                    body.get("channel"),
                    body.get("slot") if kind in ("reserved", "not_given") else None,
                    body.get("reservation"),
                    json.dumps(body),
                ),
            )
        ledger.commit()
        ledger.close()
        (state / "witness").mkdir()
        newest = len(self.rows) if self.witness is None else self.witness
        for name, seq in (("witness-0", newest - 1), ("witness-1", newest)):
            slot = b"heading\n" + json.dumps({"seq": seq}).encode() + b"\n"
            (state / "witness" / name).write_bytes(slot + sha256(slot).hexdigest().encode() + b"\n")

    def judged(self, state: Path) -> list[str]:
        self.write(state)
        return breaches(state, KEEPER, self.outages, self.stops_s)


def good() -> Pair:
    """An orderly life: two doses, one that was cut by SIGTERM, one whose daemon was killed in it, and one after."""
    pair = Pair()
    pair.rows.append(("ledger_made", 1000.0, {"ledger_id": "x", "bench": True, "full": False}))
    pair.dose("alk", 1400.0)
    pair.dose("ca", 1500.0)
    pair.dose("alk", 1600.0, ran_s=0.5, outcome="partial")
    pair.stops_s.append(1600.49)
    # Killed at 2,000.5; the next start drove the line low at 2,004 and booked what can have gone in since the row.
    pair.dose("ca", 2000.0, ran_s=4.0, outcome="unknown", given_ul=402, ran_ms=4020)
    pair.outages.append(Outage(2000.5, 2004.3))
    pair.dose("alk", 2900.0)
    return pair
