"""calibrate, retube and identify as a person and as a program meet them. Rigs, flows and figures are invented."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dosingd.cli.measured import Weighed, declared, measured_of, run_of, volumes_ul
from dosingd.records import Into
from dosingd.requests import (
    MEASURED,
    Answer,
    Calibrate,
    Identify,
    Lengths,
    Prime,
    Request,
    Resume,
    Retube,
    Status,
    Suspend,
    TestRun,
)
from dosingd.units import Kind
from tests.chemistry.reference import ENTRIES
from tests.cli.running import LAGOON, Said, altered, say
from tests.cli.terminal import Terminal, terminal
from tests.control.callers import Reply, served
from tests.daemon.child import CALM, Rig

Capture = pytest.CaptureFixture[str]
OK = Answer(0, {"ok": True, "message": "done"})
#: Of a pump rated at 15 mL/min, as the example's are.
GOOD = ("10 s=2.51 mL", "30 s=7.46 mL", "30 s=7.50 mL")


def bench(directory: Path, capsys: Capture, plan: str = LAGOON) -> tuple[str, ...]:
    """A bench's ledger, and the words that name it."""
    where = ("--plan", plan, "--state", str(directory / "state"))
    assert say(capsys, "init", "--bench", *where).status == 0
    return where


def calibrate(capsys: Capture, where: tuple[str, ...], runs: tuple[str, ...], *more: str) -> Said:
    options = [word for run in runs for word in ("--run", run)]
    return say(capsys, "calibrate", "alk", *options, *more, "--json", *where)


# -- runs that the keeper timed ------------------------------------------------------------------------------


def test_timed_runs_are_a_calibration_without_a_daemon(tmp_path: Path, capsys: Capture) -> None:
    where = bench(tmp_path, capsys)
    said = calibrate(capsys, where, GOOD)
    assert said.status == 0
    # By hand: two lengths, 2.51 mL at 10 s and 7.48 mL on average at 30 s: 4.97 mL in 20 s.
    assert said.data["flow_ml_per_min"] == pytest.approx(4.97 / 20 * 60, rel=1e-4)
    assert said.data["lag_ml"] == pytest.approx(2.51 - 2.485, abs=1e-4)
    assert (said.data["accepted"], said.data["reason"]) == (True, None)
    now = say(capsys, "status", "--json", *where).data["channels"]["alk"]["calibration"]
    assert now["flow_ml_per_min"] == pytest.approx(14.91)
    assert (now["runs"], now["source"]) == (3, "declared")
    assert now["interval95_percent"] == pytest.approx(said.data["interval95_percent"])
    assert now["due_at"] is not None
    *_, row = say(capsys, "history", "--json", "--channel", "alk", *where).data["entries"]
    assert (row["kind"], row["reason"]) == ("calibrated", "14.91 mL/min, declared, 3 runs")


def test_the_references_pump_comes_out_by_weight_as_by_its_software(tmp_path: Path, capsys: Capture) -> None:
    # tests/chemistry/reference.yaml, g.cal.data and g.cal.fit: 48 mL/min, weighed water of 22 degC.
    quick = altered(tmp_path / "plan.yaml", [("nominal_flow: 15 mL/min", "nominal_flow: 48 mL/min")])
    data, fit = ENTRIES["g.cal.data"]["inputs"], ENTRIES["g.cal.fit"]["value"]
    runs = tuple(f"{s} s={m:g} g" for s, m in zip(data["t_s"], data["m_g"], strict=True))
    said = calibrate(capsys, bench(tmp_path, capsys, quick), runs, "--water", "22 degC")
    assert said.status == 0
    # The table's Z is 1.0033, the standard's formula gives 1.00328: 2 parts in 100,000.
    assert said.data["flow_ml_per_min"] == pytest.approx(fit["b_mL_per_s"] * 60, rel=1e-4)
    assert said.data["lag_ml"] == pytest.approx(fit["a_mL"], rel=1e-3)
    assert said.data["flow_standard_error_ml_per_min"] == pytest.approx(fit["se_b"] * 60, rel=1e-3)
    assert said.data["residual_rms_ml"] == pytest.approx(fit["s_residual_mL"], rel=1e-3)


def test_a_stock_is_weighed_by_its_density(tmp_path: Path, capsys: Capture) -> None:
    runs = ("10 s=2.711 g", "30 s=8.06 g", "30 s=8.09 g")
    said = calibrate(capsys, bench(tmp_path, capsys), runs, "--density", "1.08 kg/L")
    assert said.status == 0
    # (8.075 - 2.711) g in 20 s over 1.08 kg/L; the air bears up a thousandth.
    assert said.data["flow_ml_per_min"] == pytest.approx(5.364 / 1.08 / 20 * 60, rel=1.2e-3)


def test_a_person_reads_runs_residuals_line_and_interval_in_80_columns(tmp_path: Path, capsys: Capture) -> None:
    where = bench(tmp_path, capsys)
    said = say(capsys, "calibrate", "alk", *[w for run in GOOD for w in ("--run", run)], *where)
    assert said.status == 0
    for words in ("alk: calibrated", "+20 µL off the line", "14.91 mL/min ±", "beyond flow × time", "rms", "(95 %)"):
        assert words in said.out
    assert all(len(line) <= 80 for line in said.out.splitlines())
    assert "the interval is wide" in said.err


SLIPS = {
    "ten times": (("10 s=25.1 mL", "30 s=74.6 mL", "30 s=74.9 mL"), "half to twice"),
    "a tenth": (("10 s=0.251 mL", "30 s=0.746 mL", "30 s=0.749 mL"), "half to twice"),
    "ten times in one": (("10 s=2.51 mL", "30 s=74.6 mL", "31 s=7.49 mL"), "do not lie on a line"),
    "grams for millilitres": (("10 s=2.51 g", "30 s=7.46 g", "30 s=7.49 g"), "what was weighed"),
    "grams in one": (("10 s=2.51 mL", "30 s=7.46 g", "30 s=7.49 mL"), "the same way"),
    "minutes for seconds": (("10 min=2.51 mL", "30 min=7.46 mL", "31 min=7.49 mL"), "half to twice"),
    "minutes in one": (("10 s=2.51 mL", "30 min=7.46 mL", "30 s=7.49 mL"), "line"),
    "negative volume": (("10 s=-2.51 mL", "30 s=7.46 mL", "30 s=7.49 mL"), "negative"),
    "negative time": (("-10 s=2.51 mL", "30 s=7.46 mL", "30 s=7.49 mL"), "negative"),
    "nothing": (("", "30 s=7.46 mL", "30 s=7.49 mL"), 'write the seconds, "="'),
    "no seconds": (("=2.51 mL", "30 s=7.46 mL", "30 s=7.49 mL"), "seconds are missing"),
    "no volume": (("10 s=", "30 s=7.46 mL", "30 s=7.49 mL"), "is missing"),
    "zero volume": (("10 s=0 mL", "30 s=7.46 mL", "30 s=7.49 mL"), "more than nothing"),
    "zero time": (("0 s=2.5 mL", "30 s=7.46 mL", "30 s=7.49 mL"), "longer than nothing"),
    "the wrong way round": (("2.51 mL=10 s", "30 s=7.46 mL", "30 s=7.49 mL"), "the wrong way round"),
    "volumes in the wrong order": (("30 s=2.5 mL", "20 s=5 mL", "10 s=7.5 mL"), "more time gave less"),
    "two runs": (("10 s=2.51 mL", "30 s=7.46 mL"), "2 of at least 3"),
    "one length": (("10 s=2.51 mL", "10 s=2.46 mL", "10 s=2.49 mL"), "one length"),
    "no unit": (("10 s=2.51", "30 s=7.46 mL", "30 s=7.49 mL"), "a unit is missing"),
    "no unit of time": (("10=2.51 mL", "30 s=7.46 mL", "30 s=7.49 mL"), "a unit is missing"),
    "a decimal comma": (("10 s=2,51 mL", "30 s=7.46 mL", "30 s=7.49 mL"), "2.51"),
    "a clock's time": (("0:10=2.51 mL", "30 s=7.46 mL", "30 s=7.49 mL"), '"0:10"'),
    "two signs": (("10 s=2.51 mL=3", "30 s=7.46 mL", "30 s=7.49 mL"), 'write the seconds, "="'),
    "the cup's weight": (("10 s=37.51 mL", "30 s=42.46 mL", "30 s=42.49 mL"), "cup's own weight"),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_refused_in_words_and_nothing_is_booked(tmp_path: Path, capsys: Capture, slip: str) -> None:
    where = bench(tmp_path, capsys)
    runs, words = SLIPS[slip]
    said = calibrate(capsys, where, runs)
    assert said.status == 2
    assert said.data["accepted"] is False
    assert words in said.data["reason"]
    assert said.data["error"]["message"] == said.data["reason"]
    assert said.data["reason"] in said.err
    kinds = [row["kind"] for row in say(capsys, "history", "--json", "--channel", "alk", *where).data["entries"]]
    assert kinds == ["refilled", "calibrated"]


def test_no_figure_is_known_without_an_error(tmp_path: Path, capsys: Capture) -> None:
    runs = [word for run in ("10 s=2.5 mL", "20 s=5 mL", "30 s=7.5 mL") for word in ("--run", run)]
    said = say(capsys, "calibrate", "alk", *runs, *bench(tmp_path, capsys))
    assert said.status == 0
    assert "± less than 0.001" in said.out
    assert "± 0.000" not in said.out
    assert "+0 µL off the line" in said.out


def test_a_refusal_names_the_run_and_says_what_goes_on_and_what_is_next(tmp_path: Path, capsys: Capture) -> None:
    where = bench(tmp_path, capsys)
    typed = calibrate(capsys, where, ("10 s=2.51 mL", "30 s=-7.46 mL", "30 s=7.49 mL")).data["reason"]
    assert typed.startswith('--run 2 of 3, "30 s=-7.46 mL": ')
    assert "is negative" in typed
    assert "Nothing was booked, and alk goes on as before. Next: dosingd calibrate alk" in typed
    judged = calibrate(capsys, where, ("10 s=25.1 mL", "30 s=74.6 mL", "30 s=74.9 mL")).data["reason"]
    assert "Nothing was booked: alk goes on by its calibration of " in judged
    assert judged.endswith(", 15.00 mL/min. Next: dosingd calibrate alk")


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--water", "22 degC"), "The runs are volumes"),
        (("--density", "1.08 kg/L"), "The runs are volumes"),
    ],
)
def test_what_was_weighed_without_masses_shows_that_one_was_typed_for_the_other(
    tmp_path: Path, capsys: Capture, more: tuple[str, ...], words: str
) -> None:
    said = calibrate(capsys, bench(tmp_path, capsys), GOOD, *more)
    assert said.status == 2
    assert words in said.data["reason"]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--water", "22 degC", "--density", "1.08 kg/L"), "say one of them"),
        (("--water", "98 degC"), "cannot be weighed"),
        (("--density", "1.08 kg/m3"), "kg"),
        (("--density", "9 kg/L"), "no density of a stock"),
        (("--water", "22"), "unit"),
    ],
)
def test_what_nobody_weighs_is_refused(tmp_path: Path, capsys: Capture, more: tuple[str, ...], words: str) -> None:
    said = calibrate(capsys, bench(tmp_path, capsys), ("10 s=2.5 g", "30 s=7.5 g", "31 s=7.7 g"), *more)
    assert said.status == 2
    assert words in said.data["error"]["message"]


def test_a_flow_far_off_the_last_one_asks_for_a_second_set_that_agrees(tmp_path: Path, capsys: Capture) -> None:
    where = bench(tmp_path, capsys)
    assert calibrate(capsys, where, GOOD).status == 0
    first = calibrate(capsys, where, ("10 s=3.01 mL", "30 s=9.02 mL", "31 s=9.3 mL"))
    assert first.status == 2
    assert first.data["error"]["code"] == "second-set"
    assert "second set of runs agrees with this one" in first.data["reason"]
    assert first.data["flow_ml_per_min"] == pytest.approx(18, rel=0.01)
    assert say(capsys, "status", "--json", *where).data["channels"]["alk"]["calibration"][
        "flow_ml_per_min"
    ] == pytest.approx(14.91)
    again = calibrate(capsys, where, ("10 s=3.01 mL", "30 s=9.02 mL", "31 s=9.3 mL"))
    assert (again.status, again.data["error"]["code"]) == (2, "same-runs")
    second = calibrate(capsys, where, ("12 s=3.6 mL", "33 s=9.9 mL", "31 s=9.35 mL"))
    assert (second.status, second.data["accepted"]) == (0, True)


def test_it_needs_runs_or_a_terminal(tmp_path: Path, capsys: Capture) -> None:
    said = say(capsys, "calibrate", "alk", "--json", *bench(tmp_path, capsys))
    assert (said.status, said.data["error"]["code"]) == (2, "usage")
    assert "--run" in said.data["error"]["message"]


@pytest.mark.parametrize("verb", [("calibrate",), ("retube",)])
def test_a_channel_that_the_plan_does_not_have_is_refused(
    tmp_path: Path, capsys: Capture, verb: tuple[str, ...]
) -> None:
    where = bench(tmp_path, capsys)
    options = [word for run in GOOD for word in ("--run", run)] if verb == ("calibrate",) else []
    said = say(capsys, *verb, "kh", *options, "--json", *where)
    assert (said.status, said.data["error"]["code"]) == (2, "channel")
    assert "kh: no such channel" in said.data["error"]["message"]


def test_new_tubing_without_a_daemon(tmp_path: Path, capsys: Capture) -> None:
    where = bench(tmp_path, capsys)
    said = say(capsys, "retube", "alk", "--json", *where)
    assert (said.status, said.data["ok"]) == (0, True)
    state = say(capsys, "status", "--json", *where).data
    assert state["channels"]["alk"]["calibration"]["at"] is None
    [alarm] = [one for one in state["alarms"] if one["kind"] == "no-calibration"]
    assert (alarm["channel"], alarm["next_step"]) == ("alk", "dosingd calibrate alk")
    # A flow that is far off the one before is no wonder then.
    assert calibrate(capsys, where, ("10 s=3.51 mL", "30 s=10.52 mL", "31 s=10.8 mL")).status == 0


def test_without_a_ledger_nothing_is_booked(tmp_path: Path, capsys: Capture) -> None:
    said = calibrate(capsys, ("--plan", LAGOON, "--state", str(tmp_path)), GOOD)
    assert (said.status, said.data["error"]["code"]) == (2, "ledger")
    assert not list(tmp_path.glob("ledger*"))


# -- what is typed -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["10 s=10.62 g", "10s = 10.62g", " 10 s=0.01062 kg", "10000 ms=10620 mg"])
def test_a_run_is_read_in_whatever_units_it_was_measured(text: str) -> None:
    seconds, given = run_of(text)
    assert seconds == pytest.approx(10.0)
    assert given.kind is Kind.MASS
    assert float(given.value) == pytest.approx(10.62)


def test_masses_become_volumes_and_volumes_stay() -> None:
    grams, millilitres = measured_of("10 g"), measured_of("10 mL")
    assert volumes_ul([grams], Weighed(water_c=22.0)) == [pytest.approx(10 * 1003.28, rel=1e-5)]
    assert volumes_ul([millilitres], Weighed()) == [10_000.0]
    measured = declared(GOOD, Weighed())
    assert measured.runs == ((10.0, 2510.0), (30.0, 7460.0), (30.0, 7500.0))
    assert (measured.source, measured.water_c, measured.density_kg_per_l) == ("declared", None, None)


# -- through the daemon --------------------------------------------------------------------------------------


def desk(*answers: Answer) -> Callable[[Request, Reply], None]:
    left = list(answers)
    return lambda _, reply: reply(left.pop(0))


def test_a_running_daemon_is_told_and_its_verdict_shown(tmp_path: Path, capsys: Capture) -> None:
    refused = Answer(2, code="ledger", text="No pump runs. Nothing was booked.")
    with served(tmp_path, desk(refused)) as here:
        said = calibrate(capsys, ("--state", str(tmp_path)), GOOD)
    assert here.taken == [Calibrate("alk", ((10.0, 2510.0), (30.0, 7460.0), (30.0, 7500.0)))]
    assert (said.status, said.data["accepted"], said.data["error"]["code"]) == (2, False, "ledger")
    with served(tmp_path, desk(OK)) as here:
        assert say(capsys, "retube", "alk", "--json", "--state", str(tmp_path)).data == OK.data
    assert here.taken == [Retube("alk")]


def test_while_the_daemon_doses_it_owns_the_ledger_and_takes_the_calibration(tmp_path: Path) -> None:
    runs = ("--run", "10 s=5.51 mL", "--run", "30 s=16.52 mL", "--run", "31 s=17.04 mL")
    with Rig(tmp_path, CALM).start() as rig:
        data = rig.ask("calibrate", "alk", *runs)
        assert data["accepted"] is True
        assert rig.ask("status")["channels"]["alk"]["calibration"]["flow_ml_per_min"] == data["flow_ml_per_min"]
        assert rig.ask("retube", "alk")["ok"] is True
        assert rig.ask("status")["channels"]["alk"]["waiting_for"] == "a calibration"
        assert rig.stop() == 0
        # Without it the verb writes by itself; with the next daemon it holds.
        assert rig.ask("calibrate", "alk", *runs)["accepted"] is True
        rig.start()
        assert rig.ask("status")["channels"]["alk"]["waiting_for"] is None
        assert rig.stop() == 0


# -- guided, on a terminal -----------------------------------------------------------------------------------

LENGTHS = Answer(0, {"prime_ul": 3500, "seconds": [10.0, 30.0, 10.0, 30.0], "flow_ul_per_s": 250.0, "identify_ul": 500})


class Bench:
    """A desk whose pump gives 248 µL/s and 30 µL at each start, and judges nothing: it answers what it is told to."""

    def __init__(self, *verdicts: Answer) -> None:
        self.verdicts = list(verdicts)
        self.refuse_once: Answer | None = None

    def __call__(self, request: Request, reply: Reply) -> None:
        match request:
            case Lengths():
                reply(LENGTHS)
            case TestRun() if self.refuse_once is not None:
                refused, self.refuse_once = self.refuse_once, None
                reply(refused)
            case TestRun():
                seconds = 2.0 if request.seconds is None else request.seconds - 0.004
                reply(Answer(0, {"outcome": "given", "given_ul": 500, "ran_s": seconds}))
            case Calibrate():
                reply(self.verdicts.pop(0))
            case _:
                reply(Answer(0, {"outcome": "given", "given_ul": 3500, "ran_s": 14.0, "ok": True}))


def verdict(accepted: bool, *, code: str | None = None, reason: str | None = None) -> Answer:
    data: dict[str, Any] = {
        "flow_ml_per_min": 14.88,
        "lag_ml": 0.03,
        "flow_standard_error_ml_per_min": 0.05,
        "lag_standard_error_ml": 0.02,
        "residual_rms_ml": 0.03,
        "interval95_percent": 4.2,
        "dose_ml": 2.8,
        "accepted": accepted,
        "reason": reason,
        "second_set_wanted": not accepted,
        "runs": [{"seconds": 10.0, "volume_ml": 2.51, "residual_ml": 0.01}],
    }
    return Answer(0 if accepted else 2, data, code=code, text=reason)


def to_the_runs(screen: Terminal) -> None:
    """Outlet over the cup, line filled."""
    screen.read_until("hang the outlet over a cup")
    screen.type("\n")
    screen.read_until("is the line full to its end")
    screen.type("y\n")


def measure(screen: Terminal, *typed: str, of: int = 4) -> None:
    for number, text in enumerate(typed, start=1):
        screen.read_until(f"run {number} of {of}")
        screen.type("\n")
        screen.read_until("What was measured")
        screen.said = ""
        screen.type(f"{text}\n")


def test_it_is_guided_from_the_cup_to_the_tank(tmp_path: Path) -> None:
    take = Bench(verdict(True))
    with served(tmp_path, take) as here, terminal("calibrate", "alk", "--state", str(tmp_path)) as screen:
        screen.read_until("hang the outlet over a cup")
        assert here.taken == [Suspend("alk")]
        assert "gloves" in screen.said
        to_the_runs(screen)
        measure(screen, "2.51 mL", "7.47 mL", "2.50 mL", "7.46 mL")
        screen.read_until("over the tank again")
        assert not any(isinstance(each, Resume) for each in here.taken)
        screen.type("\n")
        assert screen.status() == 0
    assert "alk: calibrated" in screen.said
    assert Prime("alk", 3500, Into.CUP) in here.taken
    assert [each.seconds for each in here.taken if isinstance(each, TestRun)] == [10.0, 30.0, 10.0, 30.0]
    [asked] = [each for each in here.taken if isinstance(each, Calibrate)]
    assert asked == Calibrate("alk", ((9.996, 2510.0), (29.996, 7470.0), (9.996, 2500.0), (29.996, 7460.0)), MEASURED)
    assert here.taken[-1] == Resume("alk")
    # Each answer of a person keeps the session alive.
    assert sum(isinstance(each, Suspend) for each in here.taken) >= 8


def test_a_line_with_a_bubble_is_filled_again(tmp_path: Path) -> None:
    with (
        served(tmp_path, Bench(verdict(True))) as here,
        terminal("calibrate", "alk", "--state", str(tmp_path)) as screen,
    ):
        screen.read_until("hang the outlet over a cup")
        screen.type("\n")
        screen.read_until("is the line full to its end")
        screen.said = ""
        screen.type("n\n")
        screen.read_until("is the line full to its end")
        assert sum(isinstance(each, Prime) for each in here.taken) == 2


def test_masses_ask_once_for_what_is_weighed_and_a_figure_that_cannot_be_read_again(tmp_path: Path) -> None:
    take = Bench(verdict(True))
    with served(tmp_path, take) as here, terminal("calibrate", "alk", "--state", str(tmp_path)) as screen:
        to_the_runs(screen)
        measure(screen, "2.51")
        screen.read_until("a unit is missing")
        screen.read_until("What was measured")
        screen.type("2.50 g\n")
        screen.read_until("what is weighed")
        screen.type("22 degC\n")
        screen.read_until("run 2 of 4")
        for number, text in ((2, "7.45 g"), (3, "2.51 g"), (4, "7.44 g")):
            screen.read_until(f"run {number} of 4")
            screen.type("\n")
            screen.read_until("What was measured")
            screen.said = ""
            screen.type(f"{text}\n")
        screen.read_until("over the tank again")
        screen.type("\n")
        assert screen.status() == 0
    [asked] = [each for each in here.taken if isinstance(each, Calibrate)]
    assert (asked.water_c, asked.density_kg_per_l) == (22.0, None)
    assert asked.runs[0][1] == pytest.approx(2.50 * 1003.28, rel=1e-4)


def test_a_set_that_is_not_believed_is_shown_and_measured_again(tmp_path: Path) -> None:
    again = verdict(False, code="second-set", reason="alk: test runs gave 14.88 mL/min, 20 % off the last calibration.")
    take = Bench(again, verdict(True))
    with served(tmp_path, take) as here, terminal("calibrate", "alk", "--state", str(tmp_path)) as screen:
        to_the_runs(screen)
        measure(screen, "2.51 mL", "7.47 mL", "2.50 mL", "7.46 mL")
        screen.read_until("measure another set now?")
        assert "20 % off the last" in screen.said
        screen.said = ""
        screen.type("y\n")
        measure(screen, "2.52 mL", "7.47 mL", "2.50 mL", "7.46 mL")
        screen.read_until("over the tank again")
        screen.type("\n")
        assert screen.status() == 0
    assert sum(isinstance(each, Calibrate) for each in here.taken) == 2


def test_another_channels_run_is_waited_for_and_the_run_asked_for_again(tmp_path: Path) -> None:
    take = Bench(verdict(True))
    take.refuse_once = Answer.refused("apart", "alk: 20 min must lie between ca and alk. Nothing was pumped.")
    with served(tmp_path, take), terminal("calibrate", "alk", "--state", str(tmp_path)) as screen:
        to_the_runs(screen)
        screen.read_until("run 1 of 4")
        screen.type("\n")
        screen.read_until("press Enter to try again")
        assert "20 min must lie between" in screen.said
        screen.type("\n")
        screen.read_until("What was measured")


def test_a_run_that_is_refused_brings_the_outlet_back_and_the_channel_doses_again(tmp_path: Path) -> None:
    take = Bench()
    take.refuse_once = Answer.refused("cup-limit", "alk: what may run into a cup leaves 0.50 mL now.")
    with served(tmp_path, take) as here, terminal("calibrate", "alk", "--state", str(tmp_path)) as screen:
        to_the_runs(screen)
        screen.read_until("run 1 of 4")
        screen.type("\n")
        screen.read_until("over the tank again")
        screen.type("\n")
        assert screen.status() == 2
    assert here.taken[-1] == Resume("alk")
    assert "leaves 0.50 mL" in screen.said


def test_ctrl_c_ends_it_cleanly_and_says_what_becomes_of_the_channel(tmp_path: Path) -> None:
    with served(tmp_path, Bench()) as here, terminal("calibrate", "alk", "--state", str(tmp_path)) as screen:
        to_the_runs(screen)
        screen.read_until("run 1 of 4")
        screen.interrupt()
        assert screen.status() == 1
    assert not any(isinstance(each, Resume) for each in here.taken)
    for words in ("Nothing was calibrated", "30 minutes", "dosingd hold", "over the tank"):
        assert words in " ".join(screen.said.split())
    assert "Traceback" not in screen.said


# -- the swap check ------------------------------------------------------------------------------------------

STATUS: dict[str, Any] = {"channels": {"alk": {}, "ca": {}}}


def look(screen: Terminal, cup: str, reservoir: str) -> None:
    screen.read_until("runs next")
    screen.type("\n")
    screen.read_until("Whose cup filled")
    screen.type(f"{cup}\n")
    screen.read_until("Whose reservoir fell")
    screen.said = ""
    screen.type(f"{reservoir}\n")


def test_each_head_runs_in_turn_and_what_was_seen_is_told(tmp_path: Path) -> None:
    with (
        served(tmp_path, Bench(), status=STATUS) as here,
        terminal("identify", "--state", str(tmp_path)) as screen,
    ):
        screen.read_until("over its own cup")
        screen.type("\n")
        look(screen, "ca", "ca")
        look(screen, "none", "alk")
        screen.read_until("over the tank again")
        screen.type("\n")
        assert screen.status() == 0
    assert [each for each in here.taken if isinstance(each, TestRun)] == [
        TestRun("alk", volume_ul=500),
        TestRun("ca", volume_ul=500),
    ]
    assert Identify({"alk": ("ca", "ca"), "ca": ("", "alk")}) in here.taken
    assert here.taken[1:3] == [Suspend("alk"), Suspend("ca")]
    assert here.taken[-2:] == [Resume("alk"), Resume("ca")]


def test_the_swap_check_needs_a_terminal(tmp_path: Path, capsys: Capture) -> None:
    with served(tmp_path, status=STATUS) as here:
        said = say(capsys, "identify", "--state", str(tmp_path), "--json")
    assert (said.status, said.data["error"]["code"]) == (2, "usage")
    assert here.taken == []
    assert Status() not in here.taken


def test_the_swap_check_that_is_left_identifies_nothing(tmp_path: Path) -> None:
    with (
        served(tmp_path, Bench(), status=STATUS) as here,
        terminal("identify", "--state", str(tmp_path)) as screen,
    ):
        screen.read_until("over its own cup")
        screen.interrupt()
        assert screen.status() == 1
    assert not any(isinstance(each, Identify | Resume) for each in here.taken)
    assert "nothing was identified" in " ".join(screen.said.split())


def test_every_answer_of_the_bench_is_json() -> None:
    assert json.loads(json.dumps(dict(verdict(True).data)))["accepted"] is True
