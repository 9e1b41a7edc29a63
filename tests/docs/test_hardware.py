"""hardware/ holds: drawings, tables, plan and program agree, and every figure is reckoned again from its parts."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import pytest
from gpiozero.pins.pi import PiBoardInfo

from dosingd.checking import figures
from dosingd.checking.warnings import HARM
from dosingd.cli.entry import VERBS
from dosingd.daemon.loop import TURN_S
from dosingd.desk import LONGEST_BY_HAND_S
from dosingd.gate import LONGEST_LEASE_S
from dosingd.inputs.judging import sensors_of
from dosingd.leases import LEASE_MARGIN_S, WORST_FAULT_S
from dosingd.plan import Plan, read_plan
from dosingd.records import Substance

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
PAGES = {path.name: path.read_text(encoding="utf-8") for path in sorted(HARDWARE.glob("*.md"))}
DRAWINGS = {path.name: ET.parse(path).getroot() for path in sorted(HARDWARE.glob("*.svg"))}
SVG = "{http://www.w3.org/2000/svg}"
#: The 40-pin header as gpiozero knows it, of a board of 3, model B: GPIO or ground by pin.
HEADER = {pin.number: pin.name for pin in PiBoardInfo.from_revision(0xA02082).headers["J8"].pins.values()}
LAGOON = (ROOT / "config" / "lagoon.yaml").read_text(encoding="utf-8")


def rows(page: str, columns: int, after: str = "") -> Iterator[list[str]]:
    """The rows of a page's tables with so many columns, without head and rule; only of what follows `after`."""
    text = PAGES[page].split(after, 1)[1] if after else PAGES[page]
    lines = text.splitlines()
    for number, line in enumerate(lines):
        if not line.startswith("|") or line.startswith("|---"):
            continue
        if number + 1 < len(lines) and lines[number + 1].startswith("|---"):
            continue
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if len(cells) == columns:
            yield cells


def words_of(drawing: str) -> str:
    """All text of a drawing, in its order."""
    return " ".join(
        " ".join("".join(text.itertext()).split()) for text in DRAWINGS[drawing].iter(f"{SVG}text") if text.text
    )


def plan(text: str = LAGOON) -> Plan:
    read, _ = read_plan(text.encode(), "plan.yaml")
    return read


# -- the folder -----------------------------------------------------------------------------------------------------


def test_it_holds_pages_and_drawings_and_no_code() -> None:
    assert {path.suffix for path in HARDWARE.rglob("*") if path.is_file()} == {".md", ".svg"}


def test_the_index_names_every_file() -> None:
    listed = re.findall(r"^\| \[([^\]]+)\]\(([^)]+)\) \|", PAGES["README.md"], re.M)
    assert all(name == link for name, link in listed)
    present = {path.name for path in HARDWARE.iterdir()} - {"README.md"}
    assert {name for name, _ in listed} == present


@pytest.mark.parametrize("page", PAGES)
def test_every_link_leads_somewhere(page: str) -> None:
    for link in re.findall(r"\]\(([^)#]+)\)", PAGES[page]):
        assert (HARDWARE / link).is_file(), link


@pytest.mark.parametrize("page", PAGES)
def test_every_file_and_step_that_is_mentioned_exists(page: str) -> None:
    steps = set(re.findall(r"\*\*(C\d\d)\*\* ", PAGES["commissioning.md"]))
    # C10, C11 and C12 are capacitors as well; both exist.
    mentioned = set(re.findall(r"\bC\d\d\b", re.sub(r"^\| C\d+ \|.*$", "", PAGES[page], flags=re.M)))
    assert mentioned <= steps
    for name in re.findall(r"\b([a-z-]+\.(?:svg|md))\b", PAGES[page]):
        assert (HARDWARE / name).is_file(), name


def test_every_verb_that_a_person_is_told_to_type_is_one() -> None:
    verbs = {verb for text in PAGES.values() for verb in re.findall(r"`dosingd ([a-z]+)", text)}
    assert {"check", "init", "run", "status", "prime", "hold", "release", "calibrate", "refill", "retube"} <= verbs
    assert verbs <= set(VERBS), sorted(verbs - set(VERBS))


# -- drawings ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_a_drawing_stands_alone_and_fits_its_frame(drawing: str) -> None:
    root = DRAWINGS[drawing]
    assert root.find(f"{SVG}title") is not None
    assert root.find(f"{SVG}desc") is not None
    left, top, width, height = (float(each) for each in str(root.get("viewBox")).split())
    assert (left, top) == (0, 0)
    for element in root.iter():
        assert element.tag.removeprefix(SVG) not in {"script", "image", "foreignObject"}
        link = element.get("{http://www.w3.org/1999/xlink}href", "#")
        assert link.startswith("#"), "nothing from elsewhere"
    for text in root.iter(f"{SVG}text"):
        if inside_definitions(root, text):
            continue
        x, y, long = float(text.get("x", 0)), float(text.get("y", 0)), length_of(root, text)
        begin = {"end": x - long, "middle": x - long / 2}.get(text.get("text-anchor", ""), x)
        assert begin >= 0, text.text
        assert begin + long <= width, text.text
        assert 0 < y < height, text.text


def length_of(root: ET.Element, text: ET.Element) -> float:
    """About how long a text is: DejaVu Sans takes 0.53 of its size a letter on the average, bold 0.62."""
    sizes = [float(str(text.get("font-size") or root.get("font-size")))]
    share = 0.53
    style = "".join(each.text or "" for each in root.iter(f"{SVG}style"))
    for name in (text.get("class") or "").split():
        (rules,) = re.findall(rf"\.{name} \{{([^}}]*)\}}", style)
        sizes += [float(size) for size in re.findall(r"font-size: (\d+)px", rules)]
        share = 0.62 if "bold" in rules else share
    return share * sizes[-1] * len("".join(text.itertext()))


def inside_definitions(root: ET.Element, element: ET.Element) -> bool:
    return any(element in list(group.iter()) for group in [*root.iter(f"{SVG}defs"), *moved(root)])


def moved(root: ET.Element) -> list[ET.Element]:
    return [group for group in root.iter(f"{SVG}g") if group.get("transform")]


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_a_line_is_on_its_pin_wherever_it_is_written(drawing: str) -> None:
    for gpio, pin in re.findall(r"GPIO (\d+), pin (\d+)", words_of(drawing)):
        assert HEADER[int(pin)] == f"GPIO{gpio}", drawing


@pytest.mark.parametrize("page", PAGES)
def test_a_line_is_on_its_pin_in_every_page(page: str) -> None:
    for gpio, pin in re.findall(r"GPIO (\d+), pin (\d+)", PAGES[page]):
        assert HEADER[int(pin)] == f"GPIO{gpio}", page
    for pin in re.findall(r"ground, pin (\d+)", PAGES[page]):
        assert HEADER[int(pin)] == "GND"
    for pin in re.findall(r"3\.3 V, pin (\d+)", PAGES[page]):
        assert HEADER[int(pin)] == "3V3"


@pytest.mark.parametrize("drawing", ["wiring-two-head.svg", "wiring-three-head.svg"])
def test_the_header_is_drawn_whole_and_the_wired_pins_are_marked(drawing: str) -> None:
    root = DRAWINGS[drawing]
    placed = {
        int(text.text or 0): (float(text.get("x", 0)), float(text.get("y", 0)) - 4)
        for text in root.iter(f"{SVG}text")
        if (text.text or "").isdigit() and float(text.get("y", 0)) < 140
    }
    assert sorted(placed) == list(range(1, 41))
    odd_y = {y for pin, (_, y) in placed.items() if pin % 2}
    assert len(odd_y) == 1
    marked = {
        pin
        for pin, (x, y) in placed.items()
        for box in root.iter(f"{SVG}rect")
        if box.get("class") == "used" and (float(box.get("x", 0)) + 13, float(box.get("y", 0)) + 13) == (x, y)
    }
    written = {int(pin) for pin in re.findall(r"W\d+ (?:GPIO \d+|GND), pin (\d+)", words_of(drawing))}
    assert marked == written
    # Each marked pin has a wire that begins at its lower edge.
    starts = {
        tuple(float(each) for each in re.findall(r"[\d.]+", str(path.get("d")))[:2]) for path in root.iter(f"{SVG}path")
    }
    assert all((placed[pin][0], placed[pin][1] + 13) in starts for pin in marked)


def test_every_wire_of_a_drawing_is_in_the_table_and_the_other_way_round() -> None:
    table = {cells[0]: cells for cells in rows("wiring.md", 5, "## Wires")}
    assert list(table) == [f"W{number}" for number in range(1, len(table) + 1)]
    drawn = {name: set(re.findall(r"\bW\d+\b", words_of(name))) for name in DRAWINGS}
    third = {"W17", "W18", "W19", "W20"}
    two = {f"W{number}" for number in (*range(1, 17), 21, 31)}
    assert drawn["wiring-two-head.svg"] == two
    assert drawn["wiring-three-head.svg"] == two | third
    assert set().union(*drawn.values()) == set(table)
    # What a drawing writes beside a wire is what the table says of it.
    for name in DRAWINGS:
        for text in DRAWINGS[name].iter(f"{SVG}text"):
            for wire, what in re.findall(r"\b(W\d+),? (GPIO \d+, pin \d+)", text.text or ""):
                assert what in table[wire][1:3], (name, wire)


# -- the plan -------------------------------------------------------------------------------------------------------


def lines_of(read: Plan) -> dict[str, int]:
    found = {f"channels.{name}.pump": channel.pump.gpio for name, channel in read.channels.items()}
    for name, channel in read.channels.items():
        if channel.reservoir.float_ is not None:
            found[f"channels.{name}.reservoir.float"] = channel.reservoir.float_.gpio
    found |= {f"inputs.{name}": switch.gpio for name, switch in read.inputs.items()}
    assert read.keep_alive_gpio is not None
    assert read.alarm_output_gpio is not None
    return found | {"keep_alive": read.keep_alive_gpio, "alarm_output": read.alarm_output_gpio}


def with_additions() -> str:
    """The example plan with what wiring.md adds to it."""
    added, of_a_float = re.findall(r"```yaml\n(.*?)```", PAGES["wiring.md"], re.S)
    text = LAGOON
    for gpio in re.findall(r"channels\.\w+\.reservoir\.float \| (\d+)", PAGES["wiring.md"]):
        line = re.sub(r"gpio: \d+", f"gpio: {gpio}", of_a_float.strip())
        text = re.sub(r"(reservoir: \{holds: [^}]*days)\}", rf"\1, {line}}}", text, count=1)
    return f"{text}\n{added}"


def test_the_table_of_lines_is_the_example_plan_with_the_pages_additions() -> None:
    table = {cells[1]: (int(cells[2]), int(cells[3]), cells[4]) for cells in rows("wiring.md", 5) if cells[2].isdigit()}
    assert {place: gpio for place, (gpio, _, _) in table.items()} == lines_of(plan(with_additions()))
    for gpio, pin, wire in table.values():
        assert HEADER[pin] == f"GPIO{gpio}"
        assert f"| {wire} | GPIO {gpio}, pin {pin} |" in PAGES["wiring.md"]


def test_the_pumps_are_on_the_lines_of_the_example_plan_wherever_they_are_drawn() -> None:
    pumps = {name: channel.pump.gpio for name, channel in plan().channels.items()}
    table = {cells[0]: cells for cells in rows("wiring.md", 5, "## Wires")}
    for wire, name in (("W11", "alk"), ("W12", "ca"), ("W19", "mg")):
        assert table[wire][1].startswith(f"GPIO {pumps[name]}, ")
        assert table[wire][2] == f"driver {name} IN"
    assert all(9 <= gpio <= 27 and gpio not in (14, 15) for gpio in pumps.values())


def test_the_board_drives_the_plan_s_outputs_low() -> None:
    listed = {
        int(each) for line in re.findall(r"^gpio=([\d,]+)=op,dl$", PAGES["board.md"], re.M) for each in line.split(",")
    }
    read = plan(with_additions())
    assert listed == {channel.pump.gpio for channel in read.channels.values()} | {read.keep_alive_gpio}
    assert "dtparam=strict_gpiod" in PAGES["board.md"]
    (waits,) = re.findall(r"^RuntimeWatchdogSec=(\d+)$", PAGES["board.md"], re.M)
    assert int(waits) <= 15  # the most that a board's watchdog counts to
    assert int(waits) < WORST_FAULT_S
    assert f"{WORST_FAULT_S:.0f} s" in PAGES["board.md"]
    said = ",".join(str(gpio) for gpio in sorted(listed))
    assert f"pinctrl get {said}" in PAGES["commissioning.md"]


def test_the_installer_s_files_say_what_the_page_says() -> None:
    for folder in ("sysctl.d", "system.conf.d"):
        for path in (ROOT / "systemd" / folder).glob("*.conf"):
            for line in path.read_text(encoding="utf-8").splitlines():
                if line and not line.startswith("#"):
                    assert line.replace(" ", "") in PAGES["board.md"], line


# -- the cut-off ----------------------------------------------------------------------------------------------------

UNIT = {"kΩ": 1e3, "MΩ": 1e6, "Ω": 1.0, "nF": 1e-9, "µF": 1e-6}
PARTS = {cells[0]: cells[1] for cells in rows("cut-off.md", 3, "## Parts") if re.fullmatch(r"[A-Z]+\d+", cells[0])}


def value(written: str) -> float:
    number, unit = written.split()
    return float(number) * UNIT[unit]


R = {int(name[1:]): value(written) for name, written in PARTS.items() if name.startswith("R")}
C = {int(name[1:]): value(written) for name, written in PARTS.items() if name.startswith("C")}
#: From the types' data sheets, from memory: a CD4538's pulse is R C; a CD4060's period is 2.3 R C, Q14 rises after
#: half of 2^14 of them.
FIRST_S = R[4] * C[3]
SECOND_S = 2**13 * 2.3 * R[17] * C[6]
LETS_GO_V = 0.65 * (1 + R[14] / R[15])
#: Where R16 holds R26's end while the rail is off, and how long C13 keeps it near there, or away, at a change of ON.
IDLE_V = (5 - 0.65) * R[26] / (R[16] + R[26])
DELAY_S = R[26] * C[13]
SEEN_S = R[13] * C[5] * math.log((12 - 0.65) / (12 - 0.65 - LETS_GO_V))
GAP_S = R[14] * C[5] * math.log((12 - 2 * 0.65) / (LETS_GO_V - 0.65))
BLOCKED_AFTER_ON_S = DELAY_S * math.log((5 - IDLE_V) / (5 - 1.5 + 0.65))
BLOCKED_AFTER_OFF_S = DELAY_S * math.log((5 - IDLE_V) / (1.5 - 0.65 - IDLE_V))
LOGIC_A = 6e-3 + (5 - 2) / R[23] + 5 / R[22] + 1e-3
FLOW_ML_PER_S = 15 / 60
SUMS = {
    "first stage, nominal": (FIRST_S, "s"),
    "first stage, least": (0.8 * FIRST_S, "s"),
    "first stage, most": (1.2 * FIRST_S, "s"),
    "time between two pulses that count (rising edges)": (2 * TURN_S, "s"),
    "pulses that may be lost in a row": (math.floor(0.8 * FIRST_S / (2 * TURN_S)) - 1, ""),
    "step at KEEP when the board pulls its line up by 50 kΩ, as it boots; less than the 0.65 V that count": (
        3.3 * R[25] / (R[25] + 50e3),
        "V",
    ),
    "board's current into KEEP": (3.3 / R[25] * 1e3, "mA"),
    "current into R1 at a rising edge": ((3.3 - 0.65) / R[1] * 1e3, "mA"),
    "current that R2 takes of it": (0.65 / R[2] * 1e3, "mA"),
    "length of the pulse at pin 5 of U1": (R[1] * C[1] * math.log(((3.3 - 0.65) / R[1]) / (0.65 / R[2])) * 1e3, "ms"),
    "C1 empty again after a falling edge": (5 * R[1] * C[1] * 1e3, "ms"),
    "noise filter at the base of Q2": (R[1] * C[2] * 1e6, "µs"),
    "second stage, one period of the oscillator": (2.3 * R[17] * C[6] * 1e3, "ms"),
    "second stage, nominal": (SECOND_S, "s"),
    "second stage, least": (0.8 * SECOND_S, "s"),
    "second stage, most": (1.2 * SECOND_S, "s"),
    "least current of a pump that counts": (0.65 / R[11] * 1e3, "mA"),
    "voltage on C5 at which Q5 lets go": (LETS_GO_V, "V"),
    "current seen after it began": (SEEN_S * 1e3, "ms"),
    "gap of the current that counts as a stop": (GAP_S, "s"),
    "base of Q4; its collector needs 1.2 mA at most, 12 V / R13": ((2 * 0.8 - 0.65) / R[12] * 1e3, "mA"),
    "base of Q5; its collector needs 0.05 mA, 5 V / R16": (((12 - 2 * 0.65) / R[14] - 0.65 / R[15]) * 1e3, "mA"),
    "base of Q6; its collector needs 0.33 mA (wiring.md)": ((5 - 0.65) / R[21] * 1e3, "mA"),
    "lower end of R26 while the rail is off": (IDLE_V, "V"),
    "REST while the rail is off; low is 1.5 V or less": (IDLE_V + 0.65, "V"),
    "U2's reset stays blocked after the rail came on; more than the 1.2 ms until current is seen": (
        BLOCKED_AFTER_ON_S * 1e3,
        "ms",
    ),
    "U2's reset is blocked after the rail went off; less than the gap": (BLOCKED_AFTER_OFF_S, "s"),
    "U2 reset after switching on, at least": (DELAY_S * math.log((5 - IDLE_V) / (3.5 - 0.65 - IDLE_V)) * 1e3, "ms"),
    "gate of Q1 when on, to its source": (-12 * R[9] / (R[8] + R[9]), "V"),
    "gate of Q3 when on": (5 * R[7] / (R[6] + R[7]), "V"),
    "U1 held in reset after switching on": (R[5] * C[4] * math.log(5 / 3.5) * 1e3, "ms"),
    "U3 reset after switching on, at least": (R[19] * C[7] * math.log(5 / 3.5) * 1e3, "ms"),
    "current of LED1": ((12 - 2) / R[10] * 1e3, "mA"),
    "current of LED2": ((5 - 2) / R[20] * 1e3, "mA"),
    "current of LED3": ((5 - 2) / R[23] * 1e3, "mA"),
    "current of the logic: U4 itself, LED3, R22, the rest": (LOGIC_A * 1e3, "mA"),
    "gap of the 12 V that the logic lives through (U4 needs 7 V)": (C[8] * (12 - 0.4 - 7) / LOGIC_A * 1e3, "ms"),
    "logic's supply empty, time constant; the 10 s of the master switch are nine of them": (
        R[22] * (C[8] + C[9]),
        "s",
    ),
    "heat in U4": ((12 - 0.4) * LOGIC_A, "W"),
    "left for the pumps at 0.3 A": (12 - 2 * 0.8, "V"),
    "heat in D5 and D6 at 0.3 A": (0.3 * 1.6, "W"),
    "heat in Q1 at the 1 A of F0": (1 * 1 * 0.1, "W"),
    "first stage's volume at 15 mL/min": (1.2 * FIRST_S * FLOW_ML_PER_S, "mL"),
    "second stage's volume at 15 mL/min": (1.2 * SECOND_S * FLOW_ML_PER_S, "mL"),
}


def agrees(written: str, is_: float, unit: str) -> bool:
    """Whether a written figure is the reckoned one, rounded to the digits that it shows."""
    number, _, said = written.replace("−", "-").partition(" ")
    digits = len(number.partition(".")[2])
    return said == unit and abs(float(number) - is_) <= 0.5 * 10**-digits + 1e-9


def test_every_sum_of_the_cut_off_is_right() -> None:
    written = {cells[0]: cells[2] for cells in rows("cut-off.md", 3, "## Sums")}
    assert set(written) == set(SUMS)
    for quantity, (is_, unit) in SUMS.items():
        assert agrees(written[quantity], is_, unit), f"{quantity}: {written[quantity]}, reckoned {is_:.4g} {unit}"


def test_a_supply_that_goes_on_and_off_never_begins_the_maximum_on_time_anew() -> None:
    spread = 1.2 / 0.8  # the worst of two times against each other
    assert IDLE_V + 0.65 < 1.5  # a sure low: no reset while the rail is off
    assert spread * SEEN_S < BLOCKED_AFTER_ON_S
    assert spread * BLOCKED_AFTER_OFF_S < GAP_S
    assert 3.3 * R[25] / (R[25] + 50e3) < 0.65  # a board that boots gives no pulse by its pull-up


def test_every_table_of_maximum_on_times_is_right() -> None:
    table = list(rows("cut-off.md", 5, "## The maximum on-time"))
    assert [PARTS["R17"], PARTS["C6"]] in [cells[:2] for cells in table]
    for r17, c6, *times in table:
        nominal_s = 2**13 * 2.3 * value(r17) * value(c6)
        for written, factor in zip(times, (1, 0.8, 1.2), strict=True):
            assert agrees(written, factor * nominal_s, "s"), (r17, c6, written)
    longest_s = max(float(cells[3].split()[0]) for cells in table)
    assert longest_s > LONGEST_LEASE_S
    assert f"{LONGEST_LEASE_S:.0f} s" in PAGES["cut-off.md"]


def test_the_worst_case_is_the_sum_of_its_parts() -> None:
    said = re.search(
        r"±(\d+) % .*resistor (\d+) %, capacitor (\d+) %, circuit (\d+) %, temperature and age (\d+) %",
        PAGES["cut-off.md"],
    )
    assert said is not None
    whole, *each = (int(group) for group in said.groups())
    assert sum(each) == whole == 20


def test_proper_pulses_and_proper_runs_are_let_through() -> None:
    assert 0.8 * FIRST_S > 3 * 2 * TURN_S  # two rising edges may be lost
    assert 1.25 * (LONGEST_BY_HAND_S + LEASE_MARGIN_S) / (2**13 * 2.3 * C[6]) < R[17]  # as the page says
    read = plan()
    for channel in read.channels.values():
        flow_ul_per_s = channel.pump.nominal_ul_per_s * (channel.pump.speed or 1.0)
        longest_dose_s = channel.limits.dose_ul / (flow_ul_per_s / 2) + LEASE_MARGIN_S
        assert longest_dose_s < 0.8 * SECOND_S
    assert LONGEST_BY_HAND_S + LEASE_MARGIN_S < 0.8 * SECOND_S
    assert f"{LONGEST_BY_HAND_S + LEASE_MARGIN_S:g} s" in PAGES["cut-off.md"]
    alk = read.channels["alk"]
    assert f"{alk.limits.dose_ul / (alk.pump.nominal_ul_per_s / 2) + LEASE_MARGIN_S:g} s" in PAGES["cut-off.md"]


def test_what_the_cut_off_lets_through_is_told_in_the_tank_s_terms() -> None:
    alk = figures(plan())["alk"]
    assert alk.per_minute_stuck_on is not None
    assert alk.reservoir_change is not None
    a_minute, whole = alk.per_minute_stuck_on, alk.reservoir_change[0]
    assert f"{a_minute:.3f} dKH a minute" in PAGES["cut-off.md"]
    for fault, _, longest, volume, change in rows("cut-off.md", 5, "## What it stops"):
        if fault.startswith("none"):
            assert agrees(change, whole, "")
        elif longest.endswith(" s") and volume.endswith("mL"):
            on_s = float(longest.split()[0])
            assert on_s in (round(1.2 * FIRST_S, 2), round(1.2 * SECOND_S, 1))
            assert agrees(volume, on_s * FLOW_ML_PER_S, "mL")
            assert agrees(change, on_s / 60 * a_minute, "")


@pytest.mark.parametrize("page", ["cut-off.md", "commissioning.md", "board.md", "plumbing.md"])
def test_the_times_of_the_stages_are_the_same_everywhere(page: str) -> None:
    known = {f"{factor * FIRST_S:.2f}" for factor in (0.8, 1, 1.2)}
    text = PAGES[page]
    for most in re.findall(r"(?:within|after|for|of) (\d+\.\d\d) s\b", text):
        assert most in known | {"0.25", "0.28"}, most
    for least, most in re.findall(r"(\d+\.\d+) to (\d+\.\d+) s\b", text):
        assert (least, most) in {
            (f"{0.8 * FIRST_S:.2f}", f"{1.2 * FIRST_S:.2f}"),
            (f"{0.8 * SECOND_S:.1f}", f"{1.2 * SECOND_S:.1f}"),
        }


def test_the_drawing_has_every_part_with_its_value() -> None:
    drawn = words_of("cut-off.svg")
    for name, written in PARTS.items():
        assert re.search(rf"\b{name}\b", drawn), name
        if written:
            short = re.escape(re.sub(r" ?([kM])Ω", r" \1", written))
            assert re.search(rf"\b{name}:? {short}(?!\w)", drawn) or name in {"C10", "C11"}, (name, written)
    assert "C10, C11, C12: 100 nF" in drawn
    assert PARTS["C10"] == PARTS["C11"] == PARTS["C12"] == "100 nF"
    named = set(re.findall(r"\b(?:R|C|D|Q|U|LED)\d+\b", drawn)) - {"C05"}
    assert {name for name in named if not re.match(r"Q14", name)} == set(PARTS)


# -- the other figures --------------------------------------------------------------------------------------------


def test_the_sums_of_drivers_and_inputs_are_right() -> None:
    high_v, low_v = 2.0, 0.8  # a board's levels, from memory
    reckoned = {
        "gate when the line is high": (3.3 * 10 / 10.22, "V"),
        "gate on a line that the board pulls up by 50 kΩ": (3.3 * 10 / 60, "V"),
        "gate on a line that the board pulls down, floats or is off": (0.0, "V"),
        "board's current while the gate fills": (3.3 / 220 * 1e3, "mA"),
        "board's current while the line is high": (3.3 / 10_220 * 1e3, "mA"),
        "heat at 0.3 A and 0.1 Ω": (0.3 * 0.3 * 0.1 * 1e3, "mW"),
        "heat of a jammed pump, until its fuse opens": (1.5 * 1.5 * 0.1 * 1e3, "mW"),
        "closed contact": (3.3 * 100 / 10_100 * 1e3, "mV"),
        "closed hold switch, with 0.2 V of Q6 behind it": ((0.2 + 3.1 * 100 / 10_100) * 1e3, "mV"),
        "open contact, on a line that the board pulls down by 50 kΩ until the daemon has it": (3.3 * 50 / 61, "V"),
        "bounce of an opening contact that is swallowed": (10e3 * 1e-6 * math.log(3.3 / (3.3 - high_v)) * 1e3, "ms"),
        "contact's current, steady": (3.3 / 10_100 * 1e3, "mA"),
        "contact's current as it closes": (3.3 / 100 * 1e3, "mA"),
        "line's current with 12 V on the cable by mistake": ((12 - 3.9) / 1100 * 1e3, "mA"),
        "water between two bare leak contacts that still counts": ((10e3 * low_v / (3.3 - low_v) - 100) / 1e3, "kΩ"),
    }
    written = {cells[0]: cells[2] for cells in rows("wiring.md", 3)}
    assert set(written) == set(reckoned)
    for quantity, (is_, unit) in reckoned.items():
        assert agrees(written[quantity], is_, unit), f"{quantity}: {written[quantity]}, reckoned {is_:.4g} {unit}"


def test_the_sums_of_supply_and_fuses_are_right() -> None:
    usual_a = 0.3 + 0.1 + LOGIC_A + (12 - 2) / R[10]
    reckoned = {
        "usual load: `dosingd` runs one pump at a time; lamp, logic and LED1": (usual_a, "A"),
        "all three pumps at once, in step C10 alone": (usual_a + 0.6, "A"),
        "pump's fuse, next standard value above": (1.5 * 0.3, "A"),
        "F4, next standard value above": (1.5 * 0.1, "A"),
        "a pump that jams draws (common practice, no source)": (5 * 0.3, "A"),
        "that is of its fuse's 500 mA, which opens": (1.5 / 0.5, "times"),
        "and of F0's 1 A, which holds": (1.5 / 1, "times"),
        "a short behind the cut-off: the supply's 3 A of F0's 1 A, which opens": (3 / 1, "times"),
        "supply, from its usual load": (12 * 0.41, "W"),
        "voltage lost in 2 m of cable to a pump, 0.036 Ω/m a core": (0.3 * 2 * 2 * 0.036, "V"),
        "current of the dummy pump": (10.4 / 47, "A"),
        "heat in the dummy pump": (10.4**2 / 47, "W"),
    }
    written = {cells[0]: cells[2] for cells in rows("parts.md", 3, "## Sums")}
    assert set(written) == set(reckoned)
    for quantity, (is_, unit) in reckoned.items():
        assert agrees(written[quantity], is_, unit), f"{quantity}: {written[quantity]}, reckoned {is_:.4g} {unit}"
    for wanted in ("F0 | 1 A slow", "F3) | 500 mA slow", "F4 | 160 mA slow", "**3 A**"):
        assert wanted in PAGES["parts.md"], wanted
    for drawing in ("wiring-two-head.svg", "wiring-three-head.svg"):
        assert "SELV, 3 A" in words_of(drawing)


def test_a_broken_wire_reads_as_the_unsafe_side_where_the_pages_say_so() -> None:
    read = plan(with_additions())
    assert not any(sensor.unsafe_when_closed for name, sensor in sensors_of(read).items() if name != "leak")
    assert len(sensors_of(read)) == 6
    said = words_of("switches.svg")
    assert "holds_when: open" in said
    assert "runs_when: closed" in said
    assert "low_when: open" in said


def test_the_reservoir_s_figures_are_those_of_check() -> None:
    read = plan()
    alk = figures(read)["alk"]
    assert alk.per_minute_stuck_on is not None
    assert alk.reservoir_change is not None
    harm, whole = HARM[Substance.ALKALINITY], alk.reservoir_change[0]
    bearable_ml = read.channels["alk"].reservoir.holds_ul / 1000 * harm / whole
    written = dict(rows("plumbing.md", 2))
    assert agrees(written["whole reservoir of 2 L adds"], whole, "dKH")
    assert agrees(written["stuck on, a minute adds"], alk.per_minute_stuck_on, "dKH")
    assert agrees(written["a change within minutes that animals are known to suffer from"], harm, "dKH")
    assert abs(float(written["reservoir that would stay below it"].split()[0]) - bearable_ml) < 0.5
    assert agrees(f"{written['which is so many days of doses']} days", bearable_ml / alk.daily_ml, "days")
    assert agrees(written["time until a stuck pump has given it"], harm / alk.per_minute_stuck_on, "min")
    for bore_mm, ml_a_metre in re.findall(r"(\d) mm holds (\d\.\d) mL", PAGES["plumbing.md"]):
        assert agrees(f"{ml_a_metre} mL", math.pi / 4 * (int(bore_mm) / 10) ** 2 * 100, "mL")


# -- cautions -------------------------------------------------------------------------------------------------------


def test_the_labels_are_those_of_readme() -> None:
    readme = (
        (ROOT / "README.md").read_text(encoding="utf-8").split("### What the labels say", 1)[1].split("\n## ", 1)[0]
    )
    salts = [line for line in readme.splitlines() if line.startswith("| ")]
    assert len(salts) > 10
    assert [line for line in PAGES["cautions.md"].splitlines() if line.startswith("| ")] == salts


@pytest.mark.parametrize(
    "word",
    [
        "esidual current device",
        "Drip loops",
        "lectronics above the water line",
        "licensed people, under your local codes",
        "Goggles and gloves",
        "Salt into water",
        "Heat",
        "Never mix the stocks",
        "Keep from children",
        "safety data sheet",
        "12 V and less",
    ],
)
def test_the_cautions_are_there(word: str) -> None:
    assert word in PAGES["cautions.md"]
