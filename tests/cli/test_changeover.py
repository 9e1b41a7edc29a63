"""`dosingd changeover` as a keeper and as a program meet it.

Worked by hand from IUPAC 2021: NaHCO3 84.006, CaCl2·2H2O 147.008, NaCl 58.44 g/mol; 1 dKH is 0.356652 meq/L. The pH by
PyCO2SYS 1.8. The tank of config/changeover.yaml: 180 L, 25.5 degC, 600 µatm; 0.8 dKH a day in 24 doses.
"""

from __future__ import annotations

import importlib
import re
import shlex
from pathlib import Path
from typing import Any

import gsw
import PyCO2SYS as pyco2
import pytest

from dosingd.cli.entry import VERBS
from tests.cli.running import ROOT, altered, say

Capture = pytest.CaptureFixture[str]

SHELF = str(ROOT / "config" / "changeover.yaml")
BOTH = ["--to", "alk=baked", "--to", "ca=chloride-strong"]

BEFORE, AFTER = 125 * 0.99 / 84.006 / 2, 250 * 0.99 / 84.006 / 2
MEQ_A_DAY = 0.8 * 0.356652 * 180
KG_PER_L = float(gsw.rho(gsw.SA_from_SP(35, 0, 0, 0), gsw.CT_from_t(35.165, 25.5, 0), 0)) / 1000


def _ph_step(carbon_per_eq: float, doses: int = 24, dkh: float = 8.0) -> float:
    constants = {"opt_k_carbonic": 10, "opt_k_bisulfate": 1, "opt_k_fluoride": 2, "opt_total_borate": 1}
    water: dict[str, Any] = {"salinity": 35, "temperature": 25.5, "par1_type": 1, "opt_pH_scale": 1, **constants}
    alkalinity, add = (1000 * each / KG_PER_L for each in (dkh * 0.356652, 0.8 / doses * 0.356652))
    before = pyco2.sys(par1=alkalinity, par2=600, par2_type=4, **water)
    after = pyco2.sys(par1=alkalinity + add, par2=before["dic"] + carbon_per_eq * add, par2_type=2, **water)
    return float(after["pH_total"] - before["pH_total"])


def test_the_keys_of_the_answer_are_those_that_programs_rely_on(capsys: Capture) -> None:
    data = say(capsys, "changeover", SHELF, *BOTH, "--json").data
    assert {"channels", "balanced", "steps"} <= set(data)
    assert list(data["channels"]) == ["alk", "ca"]
    wanted = {"stock", "strength", "daily_ml", "dose_ml", "reservoir_days", "ph_step", "salt_g_per_kg_30d"}
    for change in data["channels"].values():
        assert set(change) == {"before", "after"}
        assert all(wanted <= set(standing) for standing in change.values())
    assert all(isinstance(step, str) for step in data["steps"])
    assert data == say(capsys, "--json", "changeover", SHELF, *BOTH).data


def test_a_doubled_stock_halves_the_volumes_and_keeps_the_chemistry(capsys: Capture) -> None:
    data = say(capsys, "changeover", SHELF, "--to", "alk=baked", "--json").data
    assert list(data["channels"]) == ["alk"]
    before, after = data["channels"]["alk"]["before"], data["channels"]["alk"]["after"]
    for standing, stock, strength in ((before, "bicarbonate", BEFORE), (after, "baked", AFTER)):
        assert standing["stock"] == stock
        assert standing["strength"] == pytest.approx(strength, rel=1e-5)
        assert standing["strength_unit"] == "eq/L"
        assert standing["daily_ml"] == pytest.approx(MEQ_A_DAY / strength, rel=1e-5)
        assert standing["dose_ml"] == pytest.approx(MEQ_A_DAY / strength / 24, rel=1e-5)
        assert standing["reservoir_days"] == pytest.approx(1900 / (MEQ_A_DAY / strength), rel=1e-5)
        assert standing["below_smallest"] is False
    # The same alkalinity a dose, once as bicarbonate and once as carbonate.
    assert before["ph_step"] == pytest.approx(_ph_step(1.0), abs=0.0002)
    assert after["ph_step"] == pytest.approx(_ph_step(0.5), abs=0.0002)
    assert before["ph_step"] < 0 < after["ph_step"]
    assert data["balanced"] is True
    assert after["density_kg_per_l"] > before["density_kg_per_l"] > 1


def test_both_channels_at_once_still_match_and_leave_the_same_salt(capsys: Capture) -> None:
    data = say(capsys, "changeover", SHELF, *BOTH, "--json").data
    alk, ca = data["channels"]["alk"], data["channels"]["ca"]
    for when in ("before", "after"):
        # Each milliequivalent with half a millimole of calcium chloride leaves 58.44 mg of NaCl.
        salt = alk[when]["salt_g_per_kg_30d"] + ca[when]["salt_g_per_kg_30d"]
        assert salt == pytest.approx(0.8 * 30 * 0.356652 * 58.44 / 1000 / KG_PER_L, rel=1e-3)
        assert data["salt_g_per_kg_30d"][when] == pytest.approx(salt, abs=2e-6)
        assert ca[when]["ph_step"] == 0
        assert ca[when]["strength_unit"] == "g/L"
    assert ca["before"]["strength"] == pytest.approx(110 * 0.985 / 147.008 / 2 * 40.078, rel=1e-5)
    assert ca["after"]["daily_ml"] == pytest.approx(MEQ_A_DAY / 2 / (220 * 0.985 / 147.008 / 2), rel=1e-5)
    assert data["balanced"] is True
    assert data["calcium_share"] == pytest.approx(1)
    assert data["faults"] == []


def test_channels_planned_by_volume_no_longer_match_when_one_stock_is_doubled(tmp_path: Path, capsys: Capture) -> None:
    by_volume = [("daily: 0.8 dKH", "daily: 34 mL"), ("daily: {follows: alk}", "daily: 34 mL")]
    plan = altered(tmp_path / "plan.yaml", by_volume, SHELF)
    one = say(capsys, "changeover", plan, "--to", "alk=baked", "--json").data
    assert one["balanced"] is False
    assert one["calcium_share"] == pytest.approx(0.5, abs=0.001)
    assert one["channels"]["alk"]["after"]["daily_ml"] == 34
    assert "DO NOT match" in say(capsys, "changeover", plan, "--to", "alk=baked").out
    both = say(capsys, "changeover", plan, *BOTH, "--json").data
    assert both["balanced"] is True
    assert "still match" in say(capsys, "changeover", plan, *BOTH).out


@pytest.mark.parametrize(("calcium", "balanced"), [("5.50 mg/L", True), ("5.40 mg/L", False), ("5.99 mg/L", True)])
def test_they_match_within_a_twentieth(calcium: str, balanced: bool, tmp_path: Path, capsys: Capture) -> None:
    # 0.8 dKH goes with 0.8 * 0.356652 / 2 * 40.078 = 5.717 mg/L.
    plan = altered(tmp_path / "plan.yaml", [("daily: {follows: alk}", f"daily: {calcium}")], SHELF)
    assert say(capsys, "changeover", plan, "--to", "alk=baked", "--json").data["balanced"] is balanced


def test_a_plan_without_calcium_has_nothing_to_match(tmp_path: Path, capsys: Capture) -> None:
    plan = tmp_path / "plan.yaml"
    text = Path(SHELF).read_text(encoding="utf-8")
    plan.write_text(text[: text.index("  ca:\n")], encoding="utf-8")
    assert say(capsys, "changeover", str(plan), "--to", "alk=baked", "--json").data["balanced"] is None


def test_a_follower_of_a_volume_is_shown_although_nobody_named_it(tmp_path: Path, capsys: Capture) -> None:
    plan = altered(tmp_path / "plan.yaml", [("daily: 0.8 dKH", "daily: 34 mL")], SHELF)
    data = say(capsys, "changeover", plan, "--to", "alk=baked", "--json").data
    ca = data["channels"]["ca"]
    assert ca["before"]["stock"] == ca["after"]["stock"] == "chloride"
    assert ca["after"]["daily_ml"] == pytest.approx(2 * ca["before"]["daily_ml"], rel=1e-5)


def test_doses_below_the_pumps_smallest_are_named_with_the_cure(tmp_path: Path, capsys: Capture) -> None:
    plan = altered(tmp_path / "plan.yaml", [("smallest: 0.5 mL", "smallest: 2 mL")], SHELF)
    said = say(capsys, "changeover", plan, "--to", "alk=baked")
    data = say(capsys, "changeover", plan, "--to", "alk=baked", "--json").data
    assert data["channels"]["alk"]["before"]["below_smallest"] is False
    assert data["channels"]["alk"]["after"]["below_smallest"] is True
    assert [fault["path"] for fault in data["faults"]] == ["channels.alk.doses"]
    assert "TOO SMALL" in said.out
    assert "check would refuse the plan" in said.out
    assert any("doses: 17 or fewer" in step for step in data["steps"])  # 34.86 mL in doses of 2 mL
    assert data["channels"]["alk"]["after"]["ph_step"] == pytest.approx(_ph_step(0.5), abs=0.0002)


def test_a_weaker_stock_asks_for_limits_that_let_it_through(tmp_path: Path, capsys: Capture) -> None:
    changes = [("stock: bicarbonate", 'stock: "baked"   # baked'), ("day: 120 mL", "day: 62 mL")]
    plan = altered(tmp_path / "plan.yaml", changes, SHELF)
    data = say(capsys, "changeover", plan, "--to", "alk=bicarbonate", "--json").data
    assert data["channels"]["alk"]["before"]["stock"] == "baked"
    assert "channels.alk.daily" in [fault["path"] for fault in data["faults"]]
    assert any("2 times as large" in step for step in data["steps"])


def _limits(text: str) -> tuple[str, str]:
    """The dose and the day limit that a step names."""
    found = re.search(r"limits.dose: ([\d.]+ mL); limits.day: ([\d.]+ mL)", text)
    assert found is not None, text
    return found.group(1), found.group(2)


def _mend(steps: list[str], channel: str) -> str:
    return next(each for each in steps if each.startswith(f"In the plan, channels.{channel}:"))


@pytest.mark.parametrize(
    ("flow", "dose", "day"),
    [
        ("15 mL/min", "5 mL", "120 mL"),
        ("15 mL/min", "2.91 mL", "94 mL"),  # no more than the planned dose needs
        ("15 mL/min", "30.5 mL", "122 mL"),  # a quarter of the day limit, which rounding must not pass
        ("300 mL/min", "5 mL", "98 mL"),  # what a lease adds to a dose counts for more than the dose
    ],
)
def test_the_limits_that_the_steps_name_pass_the_check(
    flow: str, dose: str, day: str, tmp_path: Path, capsys: Capture
) -> None:
    old = f"{{dose: {dose}, day: {day},"
    changes = [("nominal_flow: 15 mL/min", f"nominal_flow: {flow}"), ("{dose: 5 mL, day: 120 mL,", old)]
    plan = altered(tmp_path / "plan.yaml", changes * 2, SHELF)
    before = say(capsys, "check", plan, "--json").data["channels"]
    assert before["alk"]["smallest_day_limit_ml"] <= float(day.split()[0])
    steps = say(capsys, "changeover", plan, *BOTH, "--json").data["steps"]
    edits = []
    for channel, was, becomes in (("alk", "bicarbonate", "baked"), ("ca", "chloride", "chloride-strong")):
        new_dose, new_day = _limits(_mend(steps, channel))
        edits += [(f"stock: {was}\n", f"stock: {becomes}\n"), (old, f"{{dose: {new_dose}, day: {new_day},")]
        assert float(new_dose.split()[0]) == pytest.approx(float(dose.split()[0]) / 2, rel=0.01)
    checked = say(capsys, "check", altered(tmp_path / "new.yaml", edits, plan), "--json")
    assert checked.status == 0, checked.err
    for channel, shown in checked.data["channels"].items():
        # Not looser in the tank's terms than it was, but for what each run's lease needs.
        halved = before[channel]["day_limit_ml"] / 2
        assert shown["day_limit_ml"] <= 1.01 * max(halved, 1.1 * shown["smallest_day_limit_ml"])


def test_a_limit_that_is_tight_already_is_left_alone(tmp_path: Path, capsys: Capture) -> None:
    changes = [("bicarbonate: 250 g", "bicarbonate: 131 g"), ("day: 120 mL", "day: 94 mL")]
    plan = altered(tmp_path / "plan.yaml", changes, SHELF)
    step = _mend(say(capsys, "changeover", plan, "--to", "alk=baked", "--json").data["steps"], "alk")
    assert step == "In the plan, channels.alk: stock: baked."


def test_a_limit_that_only_the_days_show_to_be_too_small_is_a_fault_too(tmp_path: Path, capsys: Capture) -> None:
    # 69.73 mL a day are below three quarters of 94 mL, but 95 % of them in 12 hours are more than is earned by then.
    changes = [
        ("stock: bicarbonate", "stock: baked"),
        ("    daily: 0.8 dKH\n", '    daily: 0.8 dKH\n    when: [{from: "20:00", to: "08:00", share: 95 %}]\n'),
        ("doses: 24", "doses: 14"),
        ("{dose: 5 mL, day: 120 mL,", "{dose: 8 mL, day: 94 mL,"),
    ]
    plan = altered(tmp_path / "plan.yaml", changes, SHELF)
    faults = say(capsys, "changeover", plan, "--to", "alk=bicarbonate", "--json").data["faults"]
    assert [fault["path"] for fault in faults] == ["channels.alk.limits.day"]
    assert "would not all be let through" in faults[0]["message"]


def test_a_stock_too_weak_to_prove_or_to_lay_is_answered_all_the_same(tmp_path: Path, capsys: Capture) -> None:
    weak = "  weak: {gives: alkalinity, strength: {alkalinity: 0.002 eq/L}}\nchannels:"
    plan = altered(tmp_path / "plan.yaml", [("channels:", weak)], SHELF)
    said = say(capsys, "changeover", plan, "--to", "alk=weak", "--json")
    assert said.status == 0
    assert said.data["faults"]
    assert any("weak is too weak for a test kit to prove" in step for step in said.data["steps"])


def test_a_stock_near_saturation_in_a_warm_room_has_no_density_here(tmp_path: Path, capsys: Capture) -> None:
    # 5 eq/L of carbonate stay dissolved at 28 degC; the density table ends at saturation at 20 degC.
    warm = "  warm: {gives: alkalinity, salts: {sodium carbonate: {mass: 530 g, assay: 100 %}}, made_up_to: 2 L,"
    plan = altered(tmp_path / "plan.yaml", [("channels:", f"{warm} coldest: 28 degC}}\nchannels:")], SHELF)
    said = say(capsys, "changeover", plan, "--to", "alk=warm", "--json")
    assert said.status == 0
    assert said.data["channels"]["alk"]["after"]["density_kg_per_l"] is None
    assert any("if you weigh test runs" in step for step in said.data["steps"])


def test_salts_that_are_taken_up_whole_leave_nothing(tmp_path: Path, capsys: Capture) -> None:
    lime = "  lime: {gives: alkalinity, salts: {calcium hydroxide: {mass: 1.4 g, assay: 98 %}}, made_up_to: 1 L}"
    plan = altered(tmp_path / "plan.yaml", [("channels:", f"{lime}\nchannels:")], SHELF)
    data = say(capsys, "changeover", plan, "--to", "alk=lime", "--json").data
    after = data["channels"]["alk"]["after"]
    assert after["salt_g_per_kg_30d"] == 0
    assert after["ph_step"] == pytest.approx(_ph_step(0.0), abs=0.0002)
    # It brings 1 mol of calcium with 2 eq of its own, and the calcium channel as much again.
    assert data["calcium_share"] == pytest.approx(2, abs=0.001)
    assert data["balanced"] is False


def test_the_steps_stand_in_a_careful_keepers_order(capsys: Capture) -> None:
    steps = say(capsys, "changeover", SHELF, *BOTH, "--json").data["steps"]
    words = [
        "dosingd hold",
        "never two reservoirs open",
        "rinse",
        "prove baked in a glass",
        "pour baked",
        "prove chloride-strong",
        "pour chloride-strong",
        "In the plan, channels.alk: stock: baked",
        f"dosingd check {SHELF}",
        "dosingd reload",
        'dosingd refill alk --to "2 L" --found "0 mL" --stock baked',
        "dosingd status",
        "dosingd release",
        "dosingd prime alk --into cup",
        "dosingd calibrate alk --density",
        "dosingd prime ca --into cup",
        "back over the tank",
    ]
    places = [next(place for place, step in enumerate(steps) if word in step) for word in words]
    assert places == sorted(places)
    assert "each over a cup of its own" in " ".join(steps)
    # 3.5 mL of line is three doses of 34.86 / 24 mL.
    assert any("holds 3.5 mL of bicarbonate, the next 3 doses" in step for step in steps)
    # 1 mL of 1.47311 eq/L in a litre.
    assert any(f"must read {AFTER / 0.356652:.1f} dKH" in step for step in steps)


def test_a_weaker_stock_is_reloaded_with_the_word_that_it_will_be_asked_for(tmp_path: Path, capsys: Capture) -> None:
    weaker = altered(
        tmp_path / "plan.yaml", [("baked soda: {bicarbonate: 250 g", "baked soda: {bicarbonate: 75 g")], SHELF
    )
    steps = say(capsys, "changeover", weaker, "--to", "alk=baked", "--json").data["steps"]
    assert any("dosingd reload --yes" in step for step in steps)
    steps = say(capsys, "changeover", SHELF, *BOTH, "--json").data["steps"]
    assert not any("--yes" in step for step in steps)


def test_a_density_that_hardly_changes_asks_for_no_calibration(tmp_path: Path, capsys: Capture) -> None:
    plan = altered(
        tmp_path / "plan.yaml", [("baked soda: {bicarbonate: 250 g", "baked soda: {bicarbonate: 150 g")], SHELF
    )
    data = say(capsys, "changeover", plan, "--to", "alk=baked", "--json").data["channels"]["alk"]
    assert abs(data["after"]["density_kg_per_l"] / data["before"]["density_kg_per_l"] - 1) < 0.01
    steps = say(capsys, "changeover", plan, "--to", "alk=baked", "--json").data["steps"]
    assert not any("calibrate" in step for step in steps)


def test_what_is_not_known_is_null(tmp_path: Path, capsys: Capture) -> None:
    label = "  other-label: {gives: alkalinity, label: {adds: 0.05 dKH, per: 1 mL, to: 100 L}}\nchannels:"
    plan = altered(tmp_path / "plan.yaml", [("channels:", label), ("    line: 3.5 mL\n", "")], SHELF)
    said = say(capsys, "changeover", plan, "--to", "alk=other-label", "--json")
    after = said.data["channels"]["alk"]["after"]
    assert after["strength"] == pytest.approx(0.05 * 0.356652 * 100, rel=1e-5)
    assert after["ph_step"] is None  # carbonate, bicarbonate or hydroxide: the label does not say
    assert after["density_kg_per_l"] is None
    assert after["salt_g_per_kg_30d"] == pytest.approx(MEQ_A_DAY / 1000 * 22.99 * 30 / (180 * KG_PER_L), rel=1e-3)
    assert any("does not say how much (line)" in step for step in said.data["steps"])
    assert say(capsys, "changeover", plan, "--to", "alk=other-label").status == 0
    brackish = altered(tmp_path / "brackish.yaml", [("salinity: 35 g/kg", "salinity: 12 g/kg")], SHELF)
    assert say(capsys, "changeover", brackish, *BOTH, "--json").data["channels"]["alk"]["after"]["ph_step"] is None


def test_the_tanks_alkalinity_may_be_said_per_kilogram_and_only_a_tanks(capsys: Capture) -> None:
    # The shelf's tank: S 35, 25.5 degC, 1.0232 kg/L (gsw); 8 dKH is 2853.2 µmol/L.
    line = ["changeover", SHELF, "--to", "alk=baked", "--json", "--alkalinity"]
    assert say(capsys, *line, f"{2853.219 / KG_PER_L:.2f} umol/kg").data["tank_alkalinity_dkh"] == pytest.approx(
        8, rel=2e-5
    )
    for said in ("1500 dKH", "0.5 dKH"):
        refused = say(capsys, *line, said)
        assert refused.status == 2
        assert "1 to 30 dKH" in refused.data["error"]["message"]


def test_the_tanks_alkalinity_counts_for_the_ph(capsys: Capture) -> None:
    low = say(capsys, "changeover", SHELF, "--to", "alk=baked", "--alkalinity", "5 dKH", "--json").data
    assert low["tank_alkalinity_dkh"] == pytest.approx(5)
    assert low["channels"]["alk"]["after"]["ph_step"] == pytest.approx(_ph_step(0.5, dkh=5.0), abs=0.0002)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "--to alk=soda-strong"),
        (["--to", "alk"], "alk=soda-double"),
        (["--to", "alk=baked=now"], "alk=soda-double"),
        (["--to", "alk=baked", "--to", "alk=bicarbonate"], "names alk twice"),
        (["--to", "kalk=baked"], 'no channel "kalk". It has alk, ca'),
        (["--to", "alk=bakd"], 'no stock "bakd"'),
        (["--to", "alk=chloride"], "alk gives alkalinity and chloride gives calcium"),
        (["--to", "alk=bicarbonate"], "draws bicarbonate already"),
        (["--to", "alk=baked", "--alkalinity", "0 dKH"], "no tank's"),
        (["--to", "alk=baked", "--alkalinity", "8"], "--alkalinity: "),
    ],
)
def test_what_makes_no_sense_gets_one_clear_sentence_and_status_2(
    arguments: list[str], says: str, capsys: Capture
) -> None:
    in_words = say(capsys, "changeover", SHELF, *arguments)
    assert (in_words.status, in_words.out) == (2, "")
    assert says in in_words.err
    in_json = say(capsys, "--json", "changeover", SHELF, *arguments)
    assert in_json.status == 2
    assert says in in_json.data["error"]["message"]


def test_a_stock_that_gives_something_else_goes_by_volume(tmp_path: Path, capsys: Capture) -> None:
    more = (
        "  tonic: {gives: other}\n  elixir: {gives: other}\nchannels:\n"
        "  food:\n    stock: tonic\n    daily: 4 mL\n    doses: 4\n    pump: {gpio: 23, nominal_flow: 15 mL/min}\n"
        "    limits: {dose: 2 mL, day: 10 mL}\n    reservoir: {holds: 500 mL}\n"
    )
    plan = altered(tmp_path / "plan.yaml", [("channels:\n", more)], SHELF)
    said = say(capsys, "changeover", plan, "--to", "food=elixir", "--json")
    assert said.status == 0
    after = said.data["channels"]["food"]["after"]
    assert (after["strength"], after["ph_step"], after["daily_ml"]) == (None, None, 4)
    assert said.data["salt_g_per_kg_30d"] == {"before": None, "after": None}
    assert any("no test kit proves elixir" in step for step in said.data["steps"])
    assert say(capsys, "changeover", plan, "--to", "food=elixir").status == 0


def test_a_plan_with_faults_is_refused_first(tmp_path: Path, capsys: Capture) -> None:
    plan = altered(tmp_path / "plan.yaml", [("water: 180 L", "water: 180")], SHELF)
    said = say(capsys, "changeover", plan, *BOTH, "--json")
    assert said.status == 2
    assert said.data["error"]["code"] == "plan"


def test_printing_it_changes_nothing(tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    plan = altered(tmp_path / "plan.yaml", [], SHELF)
    assert say(capsys, "changeover", plan, *BOTH).status == 0
    assert [each.name for each in tmp_path.rglob("*")] == ["plan.yaml"]
    assert Path(plan).read_bytes() == Path(SHELF).read_bytes()


def test_the_new_stock_is_written_where_the_plan_names_the_old_one(tmp_path: Path, capsys: Capture) -> None:
    """A channel on one line, whose stock's name is the name of settings too: check sees it as it would be."""
    text = Path(SHELF).read_text(encoding="utf-8")
    text = text.replace("  bicarbonate:\n", "  dose:\n", 1)
    head, tail = text.split("  alk:\n", 1)[0], text.split("  ca:\n", 1)[1]
    plan = tmp_path / "plan.yaml"
    plan.write_text(
        head + '  alk: {stock: "dose", daily: 0.8 dKH, doses: 24, pump: {gpio: 17, nominal_flow: 15 mL/min, '
        "smallest: 2 mL}, limits: {dose: 5 mL, day: 120 mL, rise: 1.5 dKH}, reservoir: {holds: 2 L}}\n  ca:\n" + tail,
        encoding="utf-8",
    )
    said = say(capsys, "changeover", str(plan), "--to", "alk=baked", "--json")
    assert said.status == 0, said.err
    assert [fault["path"] for fault in said.data["faults"]] == ["channels.alk.doses"]
    assert "1.45 mL" in said.data["faults"][0]["message"]


def test_it_reads_at_80_columns_with_its_cautions(capsys: Capture) -> None:
    for arguments in ([SHELF, *BOTH], [SHELF, "--to", "alk=baked"]):
        said = say(capsys, "changeover", *arguments)
        assert said.status == 0
        assert max(map(len, said.out.replace(SHELF, "plan.yaml").splitlines())) <= 80
        for caution in ("Goggles", "children", "data sheets", "turn solid", "baked soda: Warning", "(H319)"):
            assert caution in said.out


def test_it_says_what_the_two_stocks_would_make_of_each_other(tmp_path: Path, capsys: Capture) -> None:
    # Half and half, 1.47311 eq/L and 0.73706 mol/L: 0.36828 mol of CaCO3, 100.086 g/mol, in a litre.
    assert "turns to 37 g of chalk" in " ".join(say(capsys, "changeover", SHELF, *BOTH, "--json").data["cautions"])
    # An alkalinity stock beside a magnesium stock makes none.
    words = "gives: {}\n    salts:\n      {} chloride {}hydrate"
    magnesium = [(words.format("calcium", "calcium", "di"), words.format("magnesium", "magnesium", "hexa"))] * 2
    mg = [*magnesium, ("{follows: alk}", "{follows: alk, per_dkh: 2 mg/L}")]
    plan = altered(tmp_path / "mg.yaml", mg, SHELF)
    cautions = say(capsys, "changeover", plan, "--to", "alk=baked", "--json").data["cautions"]
    assert not any("chalk" in line for line in cautions)
    text = Path(SHELF).read_text(encoding="utf-8")
    alone = tmp_path / "plan.yaml"
    alone.write_text(text[: text.index("  ca:\n")], encoding="utf-8")
    cautions = say(capsys, "changeover", str(alone), "--to", "alk=baked", "--json").data["cautions"]
    assert not any("chalk" in line for line in cautions)


def test_the_commands_of_the_steps_are_commands(capsys: Capture) -> None:
    steps = say(capsys, "changeover", SHELF, *BOTH, "--json").data["steps"]
    commands = [step.split(": dosingd ", 1)[1] for step in steps if ": dosingd " in step]
    assert len(commands) >= 10
    for command in commands:
        verb, *words = shlex.split(command)
        if verb not in VERBS:
            assert verb in ("hold", "release", "reload", "refill", "prime", "calibrate", "status")
            continue
        known = getattr(importlib.import_module(f"dosingd.cli.{verb}"), verb)
        options = {option for parameter in known.params for option in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= options


def test_the_keepers_walk_finds_no_number_that_contradicts_another(tmp_path: Path, capsys: Capture) -> None:
    """Bake, mix, prove, check, change over: one tray of bicarbonate, and one strength all the way."""
    batch = say(capsys, "bake", "--before", "301 g", "--after", "191.5 g", "--assay", "99 %", "--json").data
    mixed = [
        "mix", "--salt", "baked soda", "--mass", "191.5 g", "--volume", "2 L", "--assay", "99 %",
        "--conversion", f"{min(batch['conversion'], 1) * 100:.6f} %", "--coldest", "14 degC",
    ]  # fmt: skip
    stock = say(capsys, *mixed, "--json").data
    assert stock["strength_eq_per_l"] * 2 == pytest.approx(batch["alkalinity_eq"], rel=1e-5)
    stanza = say(capsys, *mixed).out.split("choose a name of your own)\n", 1)[1].split("\n\n", 1)[0]
    plan = altered(tmp_path / "plan.yaml", [("  chloride:\n", f"{stanza}\n  chloride:\n")])
    data = say(capsys, "changeover", plan, "--to", "alk=new-batch", "--json").data
    after = data["channels"]["alk"]["after"]
    assert after["strength"] == pytest.approx(stock["strength_eq_per_l"], rel=1e-5)
    assert any(f"must read {stock['proof']['reads']:.1f} dKH" in step for step in data["steps"])
    poured = altered(tmp_path / "poured.yaml", [("stock: soda", "stock: new-batch")], plan)
    checked = say(capsys, "check", poured, "--json").data["channels"]["alk"]
    assert after["daily_ml"] == pytest.approx(checked["daily_ml"], abs=2e-6)
    day = say(capsys, "day", poured, "--date", "2027-03-01", "--json").data["channels"]["alk"]
    assert day["daily_ul"] == pytest.approx(1000 * after["daily_ml"], abs=1)
    assert after["reservoir_days"] == pytest.approx(checked["full_days"], abs=2e-6)
    ph = say(
        capsys, "ph", "--alkalinity", "8 dKH", "--temperature", "25.5 degC", "--co2", "700 ppm", "--add",
        "0.05 dKH", "--as", "carbonate", "--json",
    ).data  # fmt: skip
    assert after["ph_step"] == pytest.approx(ph["delta_ph"], abs=2e-6)


def test_the_worked_section_of_readme_is_what_the_verbs_say(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    section = readme.split("## From a tray of bicarbonate to the plan\n", 1)[1].split("\n## ", 1)[0]
    out, quoted, commands = "", 0, 0
    for line in re.findall(r"^ {7}(.*)$", section, re.M):
        if line.startswith("dosingd "):
            said = say(capsys, *shlex.split(line)[1:])
            assert said.status == 0, line
            out, commands = said.out, commands + 1
        else:
            assert re.search(rf"^{re.escape(line)}$", out, re.M), line
            quoted += 1
    assert (commands, quoted) == (6, 8)
    for word in (
        "gloves",
        "goggles",
        "fresh air",
        "cool before it touches plastic",
        "data sheet",
        "never water onto salt",
    ):
        assert word in section
