"""`dosingd day` as a keeper and as a program meet it. What a day must keep is counted here from the JSON alone."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from tests.cli.running import LAGOON, SMALLEST, altered, say

Capture = pytest.CaptureFixture[str]


@pytest.mark.parametrize(("date", "hours"), [("2027-03-28", 23), ("2027-06-01", 24), ("2027-10-31", 25)])
def test_a_day_sums_keeps_its_gaps_and_has_its_hours(date: str, hours: float, capsys: Capture) -> None:
    data = say(capsys, "day", LAGOON, "--date", date, "--json").data
    assert (data["date"], data["timezone"], data["hours"]) == (date, "Europe/Lisbon", hours)
    starts = [datetime.fromisoformat(dose["at"]) for dose in data["doses"]]
    assert starts == sorted(starts)
    for name, channel in data["channels"].items():
        own = [dose for dose in data["doses"] if dose["channel"] == name]
        assert channel["doses"] == len(own)
        assert channel["daily_ul"] == sum(dose["volume_ul"] for dose in own)
        assert 1 <= channel["evenness"] < 2
    assert data["channels"]["alk"]["doses"] == 24
    for (one_at, one), (next_at, other) in pairwise(zip(starts, data["doses"], strict=True)):
        end_at = one_at + timedelta(seconds=one["run_s"])
        apart = "alk" in (one["channel"], other["channel"]) and one["channel"] != other["channel"]
        assert next_at - end_at >= timedelta(minutes=20 if apart else 0)
    assert len({dose["slot"] for dose in data["doses"]}) == len(data["doses"])


def test_times_carry_milliseconds_and_the_offset_of_the_moment(capsys: Capture) -> None:
    doses = say(capsys, "day", LAGOON, "--date", "2027-10-31", "--json").data["doses"]
    assert {dose["at"][-6:] for dose in doses} == {"+01:00", "+00:00"}
    assert all(len(dose["at"]) == len("2027-10-31T00:15:44.576+00:00") for dose in doses)


def test_the_band_reads_at_80_columns_and_shows_every_dose(capsys: Capture) -> None:
    for date, cells in (("2027-03-28", 69), ("2027-06-01", 72), ("2027-10-31", 75)):
        text = say(capsys, "day", LAGOON, "--date", date).out
        lines = text.splitlines()
        assert max(map(len, lines)) <= 80
        alk = lines[next(n for n, line in enumerate(lines) if line.startswith("alk: ")) + 1]
        assert len(alk) == cells + 2
        assert sum(alk.count(mark) * count for mark, count in (("o", 1), ("O", 1), ("2", 2))) == 24
        # Most of it goes in at night, in larger doses; nothing between 19:00 and 19:30.
        assert "O" in alk
        assert "  " not in alk.strip()


def test_the_table_of_hours_adds_up_to_the_day(capsys: Capture) -> None:
    data = say(capsys, "day", LAGOON, "--date", "2027-10-31", "--json").data
    lines = say(capsys, "day", LAGOON, "--date", "2027-10-31").out.splitlines()
    first = next(n for n, line in enumerate(lines) if line.startswith("from"))
    hours = [line.split()[0] for line in lines[first + 1 : -1]]
    assert len(hours) == 25
    assert hours.count("01:00") == 2
    sums = [float(cell) for cell in lines[-1].split()[1:]]
    assert sums == [channel["daily_ul"] / 1000 for channel in data["channels"].values()]


def test_many_channels_are_cut_into_parts_of_the_page(tmp_path: Path, capsys: Capture) -> None:
    text = Path(SMALLEST).read_text(encoding="utf-8")
    head, channel = text.split("channels:\n")
    block = channel.replace("daily: 0.5 dKH", "daily: 0.05 dKH")
    plan = tmp_path / "many.yaml"
    plan.write_text(
        head
        + "channels:\n"
        + "".join(
            block.replace("  alk:", f"  a-rather-long-name-{number}:").replace("gpio: 17", f"gpio: {9 + number}")
            for number in range(8)
        ),
        encoding="utf-8",
    )
    said = say(capsys, "day", str(plan), "--date", "2027-06-01")
    assert said.status == 0, said.err
    assert max(map(len, said.out.splitlines())) <= 80
    assert said.out.count("\n00:00") >= 2


def test_a_day_that_cannot_be_laid_is_refused_with_what_would_fit(tmp_path: Path, capsys: Capture) -> None:
    plan = altered(tmp_path / "plan.yaml", [("{between: [alk, ca], gap: 20 min}", "{between: [alk, ca], gap: 40 min}")])
    said = say(capsys, "day", plan, "--date", "2027-03-28", "--json")
    assert said.status == 2
    assert "gap" in said.data["error"]["message"]


def test_with_a_ledger_the_real_strength_and_flow_are_used(tmp_path: Path, capsys: Capture) -> None:
    state = str(tmp_path / "state")
    where = ("--plan", LAGOON, "--state", state)
    assert say(capsys, "init", "--bench", *where).status == 0
    # 13.5 mL/min, where the nominal flow is 15.
    runs = ("--run", "10 s=2.25 mL", "--run", "30 s=6.75 mL", "--run", "40 s=9 mL")
    assert say(capsys, "calibrate", "alk", *runs, *where).status == 0
    plain = say(capsys, "day", LAGOON, "--date", "2027-06-01", "--json").data
    real = say(capsys, "day", LAGOON, "--date", "2027-06-01", "--json", "--state", state).data
    assert plain["channels"]["alk"]["daily_ul"] == real["channels"]["alk"]["daily_ul"]
    run_s = [sum(d["run_s"] for d in data["doses"] if d["channel"] == "alk") for data in (plain, real)]
    assert run_s[1] == pytest.approx(run_s[0] * 15 / 13.5, rel=0.001)


def test_without_a_ledger_there_the_real_day_is_refused(tmp_path: Path, capsys: Capture) -> None:
    said = say(capsys, "day", LAGOON, "--date", "2027-06-01", "--json", "--state", str(tmp_path))
    assert said.status == 2
    assert said.data["error"]["code"] == "ledger"
