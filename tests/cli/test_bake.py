"""`dosingd bake` as a keeper and as a program meet it.

Stoichiometry by IUPAC 2021: 2 NaHCO3 (84.006 g/mol) -> Na2CO3 (105.988) + H2O + CO2; 0.630836 of the mass is left.
"""

from __future__ import annotations

import re
import shlex

import pytest

from tests.cli.running import say

Capture = pytest.CaptureFixture[str]


def test_the_keys_of_the_answer_are_those_that_programs_rely_on(capsys: Capture) -> None:
    data = say(capsys, "bake", "--before", "250 g", "--after", "165 g", "--json").data
    assert {
        "expected_after_g",
        "loss_fraction",
        "conversion",
        "complete",
        "alkalinity_eq",
        "meq_per_g",
        "shortcuts",
        "cautions",
    } <= set(data)
    assert all(set(each) == {"how", "error_percent"} for each in data["shortcuts"])


def test_a_partial_bake(capsys: Capture) -> None:
    data = say(capsys, "bake", "--before", "250 g", "--after", "0.165 kg", "--json").data
    assert data["expected_after_g"] == pytest.approx(250 * 0.630836, rel=1e-5)
    assert data["loss_fraction"] == pytest.approx(85 / 250)
    assert data["conversion"] == pytest.approx(85 / (250 * 0.369164), rel=1e-5)
    assert data["complete"] is False
    assert data["alkalinity_eq"] == pytest.approx(250 / 84.006, rel=1e-5)
    assert data["meq_per_g"] == pytest.approx(1000 * 250 / 84.006 / 165, rel=1e-5)
    assert data["constant_mass"] is None
    assert data["alkalinity_eq_if_damp"] is None


def test_moisture_and_assay_of_the_dry_matter(capsys: Capture) -> None:
    # 400 g with 1.5 % of water; of the 394 g dry 98 % are bicarbonate, 386.12 g; 380 g would be 9.8 % baked.
    said = say(
        capsys, "bake", "--before", "400 g", "--after", "300 g", "--assay", "98 %", "--moisture", "1.5 %", "--json"
    )
    assert said.data["expected_after_g"] == pytest.approx(394 - 386.12 * 0.369164, rel=1e-5)
    assert said.data["conversion"] == pytest.approx((394 - 300) / (386.12 * 0.369164), rel=1e-5)
    assert said.data["alkalinity_eq"] == pytest.approx(386.12 / 84.006, rel=1e-5)
    assert said.data["loss_fraction"] == pytest.approx(0.25)
    same = say(
        capsys, "bake", "--before", "400 g", "--after", "300 g", "--purity", "98 %", "--moisture", "1.5 %", "--json"
    )
    assert same.data == said.data


def test_an_apparent_conversion_above_one_is_called_moisture_and_not_clamped(capsys: Capture) -> None:
    # 250 g with 3 % of water, baked through: 242.5 * 0.630836 = 152.978 g; 242.5 g held 2.8867 eq.
    said = say(capsys, "bake", "--before", "250 g", "--after", "152.978 g")
    data = say(capsys, "bake", "--before", "250 g", "--after", "152.978 g", "--json").data
    assert data["conversion"] == pytest.approx(97.022 / (250 * 0.369164), rel=1e-5)
    assert data["complete"] is True
    assert data["moisture_if_complete"] == pytest.approx(0.03, abs=1e-5)
    assert data["alkalinity_eq"] == pytest.approx(250 / 84.006, rel=1e-5)
    assert data["alkalinity_eq_if_damp"] == pytest.approx(242.5 / 84.006, rel=1e-4)
    assert "damp" in data["cautions"][0]
    assert '--moisture "3 %"' in said.out


@pytest.mark.parametrize(
    ("weighings", "steady"),
    [(["165 g", "158.0 g", "157.8 g"], True), (["165 g", "158 g"], False), (["158.0 g", "157.6 g"], False)],
)
def test_constant_mass_is_told_from_several_weighings(weighings: list[str], steady: bool, capsys: Capture) -> None:
    after = [word for weighing in weighings for word in ("--after", weighing)]
    data = say(capsys, "bake", "--before", "250 g", *after, "--json").data
    assert data["constant_mass"] is steady
    # Pure sodium carbonate has 18.8701 meq/g (IUPAC 2021), and a scale's error does not make it stronger.
    assert data["meq_per_g"] == pytest.approx(min(2975.98 / float(weighings[-1].split()[0]), 18.8701), rel=1e-5)
    text = say(capsys, "bake", "--before", "250 g", *after).out
    assert ("so it is done" in text) is steady


def test_every_way_to_apply_the_shortcut_has_its_error_with_its_sign(capsys: Capture) -> None:
    said = say(capsys, "bake", "--before", "250 g", "--after", "158 g")
    data = say(capsys, "bake", "--before", "250 g", "--after", "158 g", "--json").data
    errors = [each["error_percent"] for each in data["shortcuts"]]
    # A gram of carbonate is 2 * 84.006 / 105.988 = 1.58520 times as strong as one of bicarbonate.
    expected = [-20.74, -20.74, 58.52, -50, 0, 0, 26.17, 26.17, 26.17]
    assert errors == pytest.approx(expected, abs=0.005)
    shown = re.findall(r"^ +([+-][\d.]+) %", said.out, re.M)
    assert shown == ["-20.7", "-20.7", "+58.5", "-50.0", "+26.2", "+26.2", "+26.2"]
    assert "73.8 % of a halving" in " ".join(data["cautions"])


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--before", "165 g", "--after", "250 g"], "heavier than 165 g before"),
        (["--before", "250 g", "--after", "300 g", "--after", "158 g"], "heavier than 250 g before"),
        (["--before", "0 g", "--after", "0 g"], "above zero"),
        (["--before", "250 g", "--after", "0 g"], "above zero"),
        (["--before", "250 g", "--after", "165 g", "--assay", "101 %"], "above 100 %"),
        (["--before", "250 g", "--after", "165 g", "--assay", "0 %"], "An assay of 0 %"),
        (["--before", "250 g", "--after", "165 g", "--assay", "99"], "such as 98.5 %"),
        (["--before", "250 g", "--after", "165 g", "--assay", "99 %", "--purity", "99 %"], "Keep one of them"),
        (["--before", "250 g", "--after", "165 g", "--moisture", "100 %"], "A moisture of 100 %"),
        (["--before", "250 g", "--after", "245 g", "--moisture", "3 %"], "the moisture or a weighing is wrong"),
        (["--before", "250", "--after", "165 g"], "a unit is missing"),
        (["--before", "250 mL", "--after", "165 g"], "here belongs a mass"),
        (["--before", "250 g"], "--after"),
        (["--after", "250 g"], "--before"),
    ],
)
def test_what_makes_no_sense_gets_one_clear_sentence_and_status_2(
    arguments: list[str], says: str, capsys: Capture
) -> None:
    in_words = say(capsys, "bake", *arguments)
    assert (in_words.status, in_words.out) == (2, "")
    assert says in in_words.err
    in_json = say(capsys, "--json", "bake", *arguments)
    assert in_json.status == 2
    assert says in in_json.data["error"]["message"]


def test_it_reads_at_80_columns_with_its_cautions(capsys: Capture) -> None:
    for extra in ([], ["--assay", "99.1 %", "--moisture", "0.35 %"], ["--after", "150 g", "--after", "149.9 g"]):
        said = say(capsys, "bake", "--before", "1250.5 g", "--after", "801.25 g", *extra)
        assert said.status == 0
        assert max(map(len, said.out.splitlines())) <= 80
        words = " ".join(said.out.split())
        for caution in (
            "oven gloves",
            "goggles",
            "cool before it touches plastic",
            "may be a blend",
            "H319",
            "data sheet",
        ):
            assert caution in words


@pytest.mark.parametrize("more", [[], ["--assay", "98.7 %"], ["--assay", "98.7 %", "--moisture", "1.3 %"]])
def test_the_command_that_it_names_next_finds_the_same_alkalinity(more: list[str], capsys: Capture) -> None:
    arguments = ["bake", "--before", "251.5 g", "--after", "166.2 g", *more]
    command = say(capsys, *arguments).out.split("To mix it:\n", 1)[1].split("\n\n", 1)[0]
    mixed = say(capsys, *shlex.split(command.replace("\\\n", ""))[1:], "--json").data
    batch = say(capsys, *arguments, "--json").data
    assert mixed["strength_eq_per_l"] * mixed["volume_l"] == pytest.approx(batch["alkalinity_eq"], rel=1e-5)
    assert mixed["bicarbonate_g"] == pytest.approx(251.5 * (0.987 if "--moisture" in more else 1), rel=1e-5)


def test_json_may_stand_before_and_after(capsys: Capture) -> None:
    given = ["bake", "--before", "250 g", "--after", "165 g"]
    assert say(capsys, "--json", *given).data == say(capsys, *given, "--json").data


def test_at_constant_mass_nobody_is_told_to_bake_on(capsys: Capture) -> None:
    # 300 g of 98 % with 2 % of water would lose 124.5 g; 100.2 g are gone, and the last two weighings agree.
    line = ["--before", "300 g", "--after", "200 g", "--after", "199.8 g", "--assay", "98 %", "--moisture", "2 %"]
    said = say(capsys, "bake", *line)
    assert said.status == 0
    assert "Bake on" not in said.out
    assert "nothing more leaves it" in " ".join(said.out.split())
    assert "Bake on" in say(capsys, "bake", *line[:4], *line[6:]).out, "with one weighing nobody knows"


def test_no_second_strength_is_printed_where_more_was_lost_than_bicarbonate_can_lose(capsys: Capture) -> None:
    said = say(capsys, "bake", "--before", "300 g", "--after", "185 g", "--assay", "97 %", "--moisture", "0.5 %")
    assert said.status == 0
    assert "apparent" in said.out
    assert "dosingd mix" not in said.out
    assert "--moisture" in said.out


PURE = 18.8701
"""meq/g of sodium carbonate: 2 over 105.988 g/mol, by IUPAC 2021. Nothing that bicarbonate bakes to is stronger."""


@pytest.mark.parametrize("assay", [None, 100, 97, 60])
@pytest.mark.parametrize("after", [70, 100, 150, 180, 184, 188, 189, 190, 250, 300])
def test_no_strength_is_shown_that_the_chemistry_forbids(after: int, assay: int | None, capsys: Capture) -> None:
    # Share a of bicarbonate and inert rest, baked through: 2000 a / (2 * 84.006) meq in 1 - 0.369164 a g.
    share = 1 if assay is None else assay / 100
    most = 1000 * share / 84.006 / (1 - 0.369164 * share)
    line = ["bake", "--before", "300 g", "--after", f"{after} g", *([] if assay is None else ["--assay", f"{assay} %"])]
    data = say(capsys, *line, "--json").data
    assert data["most_meq_per_g"] == pytest.approx(most, rel=1e-5)
    assert data["meq_per_g"] is None or data["meq_per_g"] <= min(PURE, most) * (1 + 1e-5)
    # A loss above all that can leave: no strength, and in words only what it may be at most.
    impossible = after < 300 * (1 - 0.369164 * share * 1.005)
    assert (data["meq_per_g"] is None) is impossible
    shown = [float(each) for each in re.findall(r"([\d.]+) meq/g", say(capsys, *line).out)]
    assert shown
    assert max(shown) <= round(min(PURE, most), 2) + 0.005


def test_a_spilt_batch_says_what_must_have_happened_and_what_to_do(capsys: Capture) -> None:
    said = say(capsys, "bake", "--before", "300 g", "--after", "100 g")
    words = " ".join(said.out.split())
    for word in ("spilt", "tares", "the powder was another", "Prove the powder", "Discard the batch", "not known"):
        assert word in words
    # 10 g/L, 20 mL of it in a litre: 0.2 g/L of carbonate, 52.909 dKH for each gram a litre (IUPAC 2021).
    assert "read 10.6 dKH at most" in words
    assert round(0.2 * 52.909, 1) == 10.6
    for nothing in ("dosingd mix", "--moisture", "baked soda: {", "35.7"):
        assert nothing not in words
    data = say(capsys, "bake", "--before", "300 g", "--after", "100 g", "--json").data
    unknown = ("meq_per_g", "alkalinity_eq", "alkalinity_eq_if_damp", "carbonate_g", "bicarbonate_left_g")
    assert [data[key] for key in unknown] == [None] * 5
    assert data["complete"] is False
    assert data["conversion"] == pytest.approx(200 / (300 * 0.369164), rel=1e-5), "apparent, and never clamped"


def test_washing_soda_baked_by_mistake_is_known_by_its_loss(capsys: Capture) -> None:
    # Na2CO3·10H2O 286.138 g/mol, ten waters 180.15: 63 % (IUPAC 2021).
    said = say(capsys, "bake", "--before", "300 g", "--after", f"{300 * 105.988 / 286.138:.1f} g")
    assert f"washing soda crystals lose {100 * (1 - 105.988 / 286.138):.0f} %" in " ".join(said.out.split())


def test_damp_powder_is_no_line_for_a_plan_before_its_moisture_is_said(capsys: Capture) -> None:
    line = ["bake", "--before", "250 g", "--after", "152.978 g"]
    assert "baked soda: {" not in say(capsys, *line).out
    said = say(capsys, *line, "--moisture", "3 %")
    assert "baked soda: {bicarbonate: 242.5 g}" in said.out
    assert "18.87 meq/g" in said.out


@pytest.mark.parametrize(("before", "after"), [("1000000 kg", "700000 kg"), ("1 mg", "0.7 mg"), ("300 g", "1 mg")])
def test_masses_that_no_kitchen_has_are_refused_with_the_range(before: str, after: str, capsys: Capture) -> None:
    said = say(capsys, "bake", "--before", before, "--after", after)
    assert said.status == 2
    assert "1 g to 100 kg" in said.err


def test_a_last_weighing_that_is_heavier_says_so(capsys: Capture) -> None:
    said = say(capsys, "bake", "--before", "300 g", "--after", "190 g", "--after", "195 g")
    assert "heavier than the one before" in " ".join(said.out.split())
    assert "heavier" not in say(capsys, "bake", "--before", "300 g", "--after", "195 g", "--after", "190 g").out


def test_the_gas_is_of_the_bicarbonate_alone(capsys: Capture) -> None:
    # 150 g of 300 g are bicarbonate: 150 / 84.006 / 2 mol of 24.055 L (ideal gas, 20 degC, 1013.25 hPa).
    out = say(capsys, "bake", "--before", "300 g", "--after", "250 g", "--assay", "50 %").out
    assert f"about {150 / 84.006 / 2 * 24.055:.0f} L of carbon dioxide" in " ".join(out.split())
