"""`dosingd mix` as a keeper and as a program meet it.

Formula masses by IUPAC 2021, g/mol: Na2CO3 105.988, NaHCO3 84.006, CaCl2·2H2O 147.008, Ca 40.078, Mg 24.305; 1 dKH is
0.35665 meq/L. Solubility: CRC Handbook with Laliberté's densities, 2.273 eq/L of carbonate at 10 degC.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from dosingd.chemistry.cautions import STATEMENTS, hazard
from dosingd.chemistry.salts import SALTS
from dosingd.cli.entry import run
from tests.cli.running import ROOT, SMALLEST, altered, say

Capture = pytest.CaptureFixture[str]

SODA = ["mix", "--salt", "sodium carbonate"]


def test_the_keys_of_the_answer_are_those_that_programs_rely_on(capsys: Capture) -> None:
    data = say(capsys, *SODA, "--mass", "190 g", "--volume", "2 L", "--assay", "98.5 %", "--json").data
    assert {
        "mass_g",
        "volume_l",
        "strength_eq_per_l",
        "per_ml_in_100_l",
        "dissolves",
        "solubility_fraction",
        "density_kg_per_l",
        "temperature_rise_k",
        "partner",
        "cautions",
    } <= set(data)
    assert "strength_g_per_l" not in data
    assert set(data["per_ml_in_100_l"]) == {"dkh"}
    assert set(data["partner"]) == {"salt", "mass_g"}
    chloride = say(
        capsys, "mix", "--salt", "calcium chloride dihydrate", "--mass", "263 g", "--volume", "2 L", "--json"
    ).data
    assert "strength_eq_per_l" not in chloride
    assert set(chloride["per_ml_in_100_l"]) == {"mg_per_l"}


def test_a_carbonate_stock_and_its_partner(capsys: Capture) -> None:
    data = say(capsys, *SODA, "--mass", "190 g", "--volume", "2 L", "--assay", "98.5 %", "--json").data
    eq_per_l = 2 * 190 * 0.985 / 105.988 / 2
    assert data["strength_eq_per_l"] == pytest.approx(eq_per_l, rel=1e-5)
    assert data["per_ml_in_100_l"]["dkh"] == pytest.approx(eq_per_l / 100 / 0.356652, rel=1e-4)
    assert data["partner"]["salt"] == "calcium chloride dihydrate"
    assert data["partner"]["mass_g"] == pytest.approx(eq_per_l / 2 * 2 * 147.008, rel=1e-5)
    assert data["dissolves"] is True
    # CRC at 20 degC: 93.6 g of anhydrous carbonate in a litre is 8.6 %, 1.088 kg/L.
    assert data["density_kg_per_l"] == pytest.approx(1.088, abs=0.001)
    assert data["water_g"] == pytest.approx(2000 * data["density_kg_per_l"] - 190, abs=0.01)


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (["--mass", "190 g", "--volume", "2 L"], None),
        (["--mass", "190 g", "--strength", "1.7927 eq/L"], "volume_l"),
        (["--strength", "1792.7 meq/L", "--volume", "2000 mL"], "mass_g"),
        (["--mass", "0.19 kg", "--strength", "5026.4 dKH"], "volume_l"),
    ],
)
def test_the_third_follows_from_any_two(given: list[str], expected: str | None, capsys: Capture) -> None:
    data = say(capsys, *SODA, *given, "--json").data
    assert data["mass_g"] == pytest.approx(190, rel=1e-4)
    assert data["volume_l"] == pytest.approx(2, rel=1e-4)
    assert data["strength_eq_per_l"] == pytest.approx(2 * 190 / 105.988 / 2, rel=1e-4)


def test_one_tray_of_powder_how_much_water(capsys: Capture) -> None:
    # 250 g of bicarbonate, 92.098 % baked, is 165 g of powder with all its 2.9760 eq: 0.75 eq/L of it are 3.968 L.
    tray = ["--mass", "165 g", "--strength", "0.75 eq/L", "--conversion", "92.1 %"]
    data = say(capsys, "mix", "--salt", "baked soda", *tray, "--json").data
    assert data["volume_l"] == pytest.approx(2.9760 / 0.75, rel=1e-3)
    assert data["bicarbonate_g"] == pytest.approx(250, rel=1e-3)


def test_chlorides_and_hydrates(capsys: Capture) -> None:
    given = ["--strength", "36 g/L", "--volume", "2 L", "--assay", "98.7 %", "--json"]
    mol = 36 * 2 / 40.078
    for salt, mass in (("anhydrous", 110.978), ("dihydrate", 147.008), ("hexahydrate", 219.068)):
        data = say(capsys, "mix", "--salt", f"calcium chloride {salt}", *given).data
        assert data["mass_g"] == pytest.approx(mol * mass / 0.987, rel=1e-4)
        assert data["strength_g_per_l"] == pytest.approx(36)
        assert data["partner"] == {
            "salt": "sodium carbonate",
            "mass_g": pytest.approx(mol * 105.988, rel=1e-4),
        }
        assert {each["salt"]: each["mass_g"] for each in data["partners"]}["baked soda"] == pytest.approx(
            mol * 105.988, rel=1e-4
        )
    in_mol = say(
        capsys, "mix", "--salt", "calcium chloride dihydrate", "--strength", "1 mol/L", "--volume", "1 L", "--json"
    )
    assert in_mol.data["strength_g_per_l"] == pytest.approx(40.078)
    epsom = ["mix", "--salt", "magnesium sulfate heptahydrate", "--mass", "300 g", "--volume", "1 L", "--json"]
    data = say(capsys, *epsom).data
    assert data["strength_g_per_l"] == pytest.approx(300 / 246.466 * 24.305, rel=1e-4)
    assert data["partner"] is None
    lime = say(capsys, "mix", "--salt", "calcium hydroxide", "--mass", "1.4 g", "--volume", "1 L", "--json").data
    assert lime["strength_eq_per_l"] == pytest.approx(2 * 1.4 / 74.092, rel=1e-4)
    assert lime["calcium_g_per_l"] == pytest.approx(1.4 / 74.092 * 40.078, rel=1e-4)
    assert lime["partner"] is None


def test_a_partner_that_would_not_stay_dissolved_is_marked(capsys: Capture) -> None:
    # 50 g/L of calcium go with 2.495 eq/L: above the 2.273 of carbonate at 10 degC and far above bicarbonate's 0.953.
    given = ["mix", "--salt", "calcium chloride dihydrate", "--strength", "50 g/L", "--volume", "1 L"]
    cold, warm = (
        {each["salt"]: each["dissolves"] for each in say(capsys, *given, "--coldest", t, "--json").data["partners"]}
        for t in ("10 degC", "20 degC")
    )
    assert (cold["sodium carbonate"], cold["sodium bicarbonate"], cold["sodium hydroxide"]) == (False, False, True)
    assert (warm["sodium carbonate"], warm["sodium bicarbonate"]) == (True, False)
    text = " ".join(say(capsys, *given, "--coldest", "10 degC").out.split())
    assert "132.2 g of sodium carbonate (would not stay dissolved)" in text


def test_a_stock_that_will_not_dissolve_is_answered_and_says_how_weak_it_gets(capsys: Capture) -> None:
    # Just below saturation at 20 degC, 2 * 17.9 % of 1.1907 kg/L / 105.988 = 4.022 eq/L; at 10 degC 2.273 stay.
    said = say(capsys, *SODA, "--strength", "4.0 eq/L", "--volume", "1 L", "--coldest", "10 degC", "--json")
    assert said.status == 0
    assert said.data["dissolves"] is False
    assert said.data["solubility_fraction"] == pytest.approx(4.0 / 2.273, rel=0.002)
    assert said.data["crystallises"]["liquid_weaker_percent"] == pytest.approx(100 * (1 - 2.273 / 4.0), abs=0.2)
    assert said.data["crystallises"]["solid"] == "Na2CO3·10H2O"
    assert 200 < said.data["crystallises"]["solid_g_per_kg"] < 280  # reference: 266 g at saturation
    assert "will not stay dissolved" in said.data["cautions"][0]
    assert "weaker" in said.data["cautions"][1]
    near = say(capsys, *SODA, "--strength", "2.2 eq/L", "--volume", "1 L", "--coldest", "50 degF", "--json").data
    assert near["dissolves"] is True
    assert near["crystallises"] is None
    assert "Near the limit" in near["cautions"][0]
    # Beyond what dissolves at 20 degC no density is known, and nothing is invented.
    over = say(capsys, *SODA, "--strength", "6 eq/L", "--volume", "1 L", "--json").data
    assert (over["dissolves"], over["density_kg_per_l"], over["temperature_rise_k"]) == (False, None, None)


def test_half_baked_powder_dissolves_less(capsys: Capture) -> None:
    given = ["--strength", "1.4 eq/L", "--volume", "1 L", "--coldest", "10 degC", "--json"]
    baked = say(capsys, "mix", "--salt", "baked soda", *given).data
    half = say(capsys, "mix", "--salt", "baked soda", *given, "--conversion", "40 %").data
    assert baked["solubility_fraction"] == pytest.approx(1.4 / 2.273, rel=0.002)
    assert half["solubility_fraction"] > baked["solubility_fraction"]
    assert any("baked through" in line for line in half["cautions"])
    assert not any("baked through" in line for line in baked["cautions"])


def test_heat_of_dissolving_is_told(capsys: Capture) -> None:
    # 200 g of anhydrous chloride in 1000 g of water: +35 K (reference, within 6 %).
    chloride = ["mix", "--salt", "calcium chloride anhydrous", "--mass", "200 g", "--volume", "1.07 L", "--json"]
    data = say(capsys, *chloride).data
    assert data["temperature_rise_k"] == pytest.approx(35, rel=0.06)
    assert any("scalds" in line for line in data["cautions"])


def test_the_glass_says_what_the_kit_must_read_and_what_a_wrong_reading_means(capsys: Capture) -> None:
    given = [*SODA, "--mass", "190 g", "--volume", "2 L", "--json"]
    proof = say(capsys, *given).data["proof"]
    expected = 1000 * 190 / 105.988 * 2 / 2 / 1000 / 0.356652
    assert (proof["stock_ml"], proof["unit"]) == (1, "dKH")
    assert proof["reads"] == pytest.approx(expected, rel=1e-4)
    by_means = {each["means"]: each["reads"] for each in proof["otherwise"]}
    raw = next(reads for means, reads in by_means.items() if "not baked" in means)
    assert raw == pytest.approx(expected * 105.988 / 2 / 84.006, rel=1e-4)
    good = say(capsys, *given, "--reading", "5.1 dKH").data["reading"]
    assert good["agrees"] is True
    weak = say(capsys, *given, "--reading", "160 mg/L CaCO3").data["reading"]  # 3.197 meq/L, 8.96 dKH
    assert weak["agrees"] is False
    assert "Do not pour it" in weak["meaning"]
    half = say(capsys, *given, "--reading", f"{expected / 2:.2f} dKH").data["reading"]
    assert "half strength" in half["meaning"]
    # A magnesium stock takes ten times as much, or no kit could tell.
    mg = say(
        capsys, "mix", "--salt", "magnesium chloride hexahydrate", "--strength", "30 g/L", "--volume", "1 L", "--json"
    ).data["proof"]
    assert (mg["stock_ml"], mg["reads"]) == (10, pytest.approx(300))


def test_a_stock_too_weak_to_prove_says_so(capsys: Capture) -> None:
    given = ["--mass", "0.01 g", "--volume", "1 L"]
    assert "too weak to be proved" in " ".join(say(capsys, *SODA, *given).out.split())
    assert "1 mL adds  0.000005291 dKH to 100 L" in " ".join(say(capsys, *SODA, *given).out.split("\n"))
    assert "too weak" not in say(capsys, *SODA, "--mass", "10 g", "--volume", "1 L").out


def test_more_salt_as_sold_than_stock_has_no_water_to_be_stirred_into(capsys: Capture) -> None:
    # 150 g/L of calcium from a salt of 20 % would be 2.75 kg in a litre that weighs 1.3 kg.
    given = ["--strength", "150 g/L", "--volume", "1 L", "--assay", "20 %", "--json"]
    data = say(capsys, "mix", "--salt", "calcium chloride dihydrate", *given).data
    assert data["density_kg_per_l"] > 1.3
    assert (data["water_g"], data["temperature_rise_k"]) == (None, None)


def test_purity_means_assay_and_both_at_once_are_refused(capsys: Capture) -> None:
    one = say(capsys, *SODA, "--mass", "190 g", "--volume", "2 L", "--assay", "98.5 %", "--json")
    other = say(capsys, *SODA, "--mass", "190 g", "--volume", "2 L", "--purity", "98.5%", "--json")
    assert one.data == other.data
    both = say(capsys, *SODA, "--mass", "190 g", "--volume", "2 L", "--purity", "98 %", "--assay", "98 %", "--json")
    assert both.status == 2
    assert "Keep one of them" in both.data["error"]["message"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--mass", "190 g"], "two of mass, strength and volume"),
        (["--mass", "190 g", "--volume", "2 L", "--strength", "1 eq/L"], "two of mass, strength and volume"),
        ([], "two of mass, strength and volume"),
        (["--mass", "190 g", "--volume", "0 L"], "A volume of 0 cannot be"),
        (["--mass", "0 g", "--volume", "2 L"], "A mass of 0 cannot be"),
        (["--mass", "190 g", "--strength", "0 eq/L"], "A strength of 0 cannot be"),
        (["--mass", "-190 g", "--volume", "2 L"], "negative"),
        (["--mass", "190", "--volume", "2 L"], "a unit is missing"),
        (["--mass", "190 g", "--volume", "2 kg"], "here belongs a volume"),
        (["--mass", "190 g", "--strength", "40 g/L"], "--strength: "),
        (["--mass", "190 g", "--strength", "2 mol/L"], "two equivalents"),
        (["--mass", "190 g", "--volume", "2 L", "--assay", "101 %"], "above 100 %"),
        (["--mass", "190 g", "--volume", "2 L", "--assay", "0 %"], "An assay of 0 %"),
        (["--mass", "190 g", "--volume", "2 L", "--assay", "0.985"], "such as 98.5 %"),
        (["--mass", "190 g", "--volume", "2 L", "--assay", "98.5"], "such as 98.5 %"),
        (["--mass", "190 g", "--volume", "2 L", "--coldest", "-2 degC"], "outside 0 to 30 degC"),
        (["--mass", "190 g", "--volume", "2 L", "--coldest", "88 degF"], "outside 0 to 30 degC"),
        (["--mass", "190 g", "--volume", "2 L", "--conversion", "90 %"], "was not in the oven"),
        (["--mass", "190 g", "--volume", "2 L", "--reading", "5 mL"], "--reading: "),
    ],
)
def test_what_makes_no_sense_gets_one_clear_sentence_and_status_2(
    arguments: list[str], says: str, capsys: Capture
) -> None:
    in_words = say(capsys, *SODA, *arguments)
    assert (in_words.status, in_words.out) == (2, "")
    assert says in in_words.err
    in_json = say(capsys, "--json", *SODA, *arguments)
    assert in_json.status == 2
    assert says in in_json.data["error"]["message"]


@pytest.mark.parametrize(
    ("salt", "says"),
    [
        ("calcium chloride", "calcium chloride dihydrate"),
        ("soda", "baked soda"),
        ("sodium carbonat", 'Did you mean "sodium carbonate"?'),
        ("NaCl", "not a salt known here"),
    ],
)
def test_a_name_that_may_mean_several_salts_is_asked_back(salt: str, says: str, capsys: Capture) -> None:
    said = say(capsys, "mix", "--salt", salt, "--mass", "100 g", "--volume", "1 L")
    assert (said.status, said.out) == (2, "")
    assert says in said.err


@pytest.mark.parametrize("salt", SALTS)
def test_every_salt_reads_at_80_columns_with_its_hazards(salt: str, capsys: Capture) -> None:
    for mass in ("1 g", "333.333 g", "2500 g"):
        said = say(capsys, "mix", "--salt", salt, "--mass", mass, "--volume", "1.5 L", "--coldest", "12.5 degC")
        assert said.status == 0
        assert max(map(len, said.out.splitlines())) <= 80
        words = " ".join(said.out.split())
        for caution in ("goggles", "children", "never water onto salt", "never meet undiluted", "safety data sheet"):
            assert caution in words


def test_json_may_stand_before_and_after(capsys: Capture) -> None:
    given = [*SODA, "--mass", "190 g", "--volume", "2 L"]
    assert say(capsys, "--json", *given).data == say(capsys, *given, "--json").data


@pytest.mark.parametrize(
    ("arguments", "path"),
    [
        (["--salt", "sodium carbonate", "--mass", "123.457 g", "--volume", "1.5 L", "--assay", "98.5 %"], "plan.yaml"),
        (["--salt", "baked soda", "--mass", "165 g", "--strength", "0.75 eq/L", "--conversion", "92.1 %"], "plan.yaml"),
    ],
)
def test_the_words_for_the_plan_give_the_plan_the_same_strength(
    arguments: list[str], path: str, tmp_path: Path, capsys: Capture
) -> None:
    """The keeper's walk: what `mix` says of a stock and what `check` makes of its words may not differ."""
    said = say(capsys, "mix", *arguments)
    eq_per_l = say(capsys, "mix", *arguments, "--json").data["strength_eq_per_l"]
    stanza = said.out.split("choose a name of your own)\n", 1)[1].split("\n\n", 1)[0]
    plan = altered(
        tmp_path / path,
        [
            ("  soda: {gives: alkalinity, strength: {alkalinity: 1 eq/L}}", stanza.replace("new-batch", "soda")),
        ],
        SMALLEST,
    )
    assert run(["check", plan]) == 0
    daily_ml = say(capsys, "check", plan, "--json").data["channels"]["alk"]["daily_ml"]
    # 0.5 dKH in 60 L.
    assert daily_ml == pytest.approx(0.5 * 0.356652 * 60 / eq_per_l, rel=1e-4)


@pytest.mark.parametrize("salt", SALTS)
def test_readme_has_the_hazards_of_every_salt(salt: str) -> None:
    cautions = (ROOT / "README.md").read_text(encoding="utf-8").split("## Cautions", 1)[1]
    row = next(line for line in cautions.splitlines() if line.startswith(f"| {salt} |"))
    assert f"| {hazard(salt).signal_word} |" in row
    for code in hazard(salt).codes:
        assert f"{STATEMENTS[code]} ({code})" in row
    assert ("not classified" in row) is (not hazard(salt).codes)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (["--mass", "1e9 kg", "--volume", "1e9 m3"], "0.001 to 1,000,000 g"),
        (["--mass", "0.000001 mg", "--volume", "1 L"], "0.001 to 1,000,000 g"),
        (["--mass", "190 g", "--volume", "200000 L"], "0.001 to 10,000 L"),
        (["--mass", "190 g", "--strength", "0.000001 meq/L"], "0.001 to 10,000 L"),
    ],
)
def test_no_bucket_that_size_is_refused_with_the_range(given: list[str], says: str, capsys: Capture) -> None:
    said = say(capsys, *SODA, *given)
    assert (said.status, said.out) == (2, "")
    assert says in said.err


def test_unbaked_powder_cools_the_water_and_baked_powder_warms_it(capsys: Capture) -> None:
    # CRC enthalpies of solution: NaHCO3 +18.7, Na2CO3 -26.6 kJ/mol; 84.006 and 105.988 g/mol; water 4.18 J/(g K), and
    # the solution some hundredths less. Half baked by moles: 0.5 mol of bicarbonate beside 0.25 of carbonate.
    line = ["mix", "--salt", "baked soda", "--mass", "84 g", "--volume", "2 L", "--json", "--conversion"]
    raw, half, through = (say(capsys, *line, share).data for share in ("0 %", "50 %", "100 %"))
    half_mol = 84 / (84.006 * 0.5 + 105.988 * 0.25)
    for data, kj in (
        (raw, -18.7 * 84 / 84.006),
        (half, half_mol * (0.25 * 26.6 - 0.5 * 18.7)),
        (through, 26.6 * 84 / 105.988),
    ):
        assert data["temperature_rise_k"] == pytest.approx(kj * 1000 / (4.18 * (84 + data["water_g"])), rel=0.08)
    assert raw["temperature_rise_k"] < half["temperature_rise_k"] < 0 < through["temperature_rise_k"]
    plain = ["mix", "--salt", "sodium bicarbonate", "--mass", "84 g", "--volume", "2 L", "--json"]
    assert raw["temperature_rise_k"] == pytest.approx(say(capsys, *plain).data["temperature_rise_k"], rel=1e-6)


@pytest.mark.parametrize(
    ("salt", "mistakes"),
    [
        ("sodium carbonate", {"not baked", "washing soda", "drawn damp"}),
        ("baked soda", {"not baked", "washing soda", "drawn damp"}),
        ("sodium bicarbonate", {"means bicarbonate"}),
        ("sodium hydroxide", set()),
        ("calcium hydroxide", set()),
        ("calcium chloride dihydrate", {"anhydrous salt weighed as dihydrate", "hexahydrate weighed as dihydrate"}),
        ("calcium chloride anhydrous", {"dihydrate weighed as anhydrous", "hexahydrate weighed as anhydrous"}),
        ("magnesium chloride hexahydrate", set()),
    ],
)
def test_only_mistakes_that_can_be_made_with_the_salt_are_named(salt: str, mistakes: set[str], capsys: Capture) -> None:
    otherwise = say(capsys, "mix", "--salt", salt, "--mass", "1.4 g", "--volume", "1 L", "--json").data["proof"]
    told = [each["means"] for each in otherwise["otherwise"] if "batch of" not in each["means"]]
    assert len(told) == len(mistakes)
    assert all(any(mistake in means for means in told) for mistake in mistakes)


def test_a_reading_is_shown_as_a_kit_shows_it_and_a_strength_with_four_digits(capsys: Capture) -> None:
    out = " ".join(say(capsys, *SODA, "--mass", "190 g", "--volume", "2 L").out.split())
    assert "is 1.793 eq/L" in out  # 190 / 105.988 = 1.79265
    assert "must read 5.0 dKH" in out  # 1.79265 / 0.356652 = 5.026
    chloride = ["mix", "--salt", "calcium chloride dihydrate", "--strength", "36 g/L", "--volume", "2 L"]
    assert "must read 36 mg/L" in " ".join(say(capsys, *chloride).out.split())


def test_just_beyond_saturation_is_not_called_a_hundred_percent(capsys: Capture) -> None:
    lime = ["mix", "--salt", "calcium hydroxide", "--volume", "1 L", "--mass"]
    data = say(capsys, *lime, "1.5 g", "--json").data
    assert not data["dissolves"]
    assert f"{data['solubility_fraction'] * 100:.2f} % of saturation" in " ".join(data["cautions"])
    assert " 100 % of saturation" not in " ".join(data["cautions"])
