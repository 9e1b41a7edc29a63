"""`dosingd refill`: asked of the daemon, or booked straight into the ledger where none runs."""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from dosingd.cli.statedir import ledger_path, witness_directory
from dosingd.clock import SystemClock
from dosingd.daemon.early import LOCK_NAME
from dosingd.ledger import Book, Witness
from dosingd.records import Event, Into, Purpose, Refilled, Reserved
from dosingd.requests import Answer, Refill, Request
from tests.cli.running import ROOT, Said, say
from tests.control.callers import Reply, served

Capture = pytest.CaptureFixture[str]
CHANGEOVER = str(ROOT / "config" / "changeover.yaml")
#: 125 g of bicarbonate of 99 % in 2 L: 125 * 0.99 / 84.006 / 2 eq/L. Molar mass by IUPAC 2021, from memory.
EQ_PER_L = 125 * 0.99 / 84.006 / 2

BOOKED: Mapping[str, Any] = {
    "ok": True, "channel": "alk", "stock": "soda", "left_ml": 2000.0, "expected_ml": 500.0, "found_ml": 430.0,
    "flow_error_percent": 4.6667, "flow_error_uncertainty_percent": 1.8856, "flow_error_unknown": None,
    "days_left": 27.94, "daily_ml_before": 68.0, "daily_ml_after": 60.2, "mixed": True, "waits": None,
    "strength_eq_per_l": 1.99, "others": {"ca": {"daily_ml_before": 30.0, "daily_ml_after": 31.0}},
}  # fmt: skip


def desk(*answers: Answer) -> Callable[[Request, Reply], None]:
    left = list(answers)
    return lambda _, reply: reply(left.pop(0))


def bench(tmp_path: Path, capsys: Capture) -> Callable[..., Said]:
    """A bench without a daemon; what is said to it."""
    where = ["--plan", CHANGEOVER, "--state", str(tmp_path / "state")]
    assert say(capsys, "init", "--bench", *where).status == 0
    return lambda *arguments: say(capsys, "refill", *arguments, *where)


def book_of(tmp_path: Path) -> Book:
    state = tmp_path / "state"
    return Book.open(ledger_path(state), Witness(witness_directory(state)))


def rows(tmp_path: Path) -> list[Event]:
    """The ledger's events, read as the daemon would at its next start: with its witness."""
    book = book_of(tmp_path)
    try:
        return [row.event for row in book.rows()]
    finally:
        book.close()


# -- asked of the daemon -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "request_"),
    [
        (["--to", "2 L"], Refill("alk", 2_000_000)),
        (["--to", "2 L", "--found", "430 mL"], Refill("alk", 2_000_000, 430_000)),
        (["--to", "2 L", "--found", "0 mL", "--stock", "baked"], Refill("alk", 2_000_000, 0, "baked")),
        (["--confirm"], Refill("alk", None, confirm=True)),
        (["--to", "1.5 L", "--found", "1.5 L", "--confirm"], Refill("alk", 1_500_000, 1_500_000, None, True)),
    ],
)
def test_it_is_asked_for_in_whole_microlitres(
    tmp_path: Path, capsys: Capture, arguments: list[str], request_: Refill
) -> None:
    with served(tmp_path, desk(Answer(0, BOOKED))) as here:
        said = say(capsys, "refill", "alk", *arguments, "--state", str(tmp_path), "--json")
    assert here.taken == [request_]
    assert said.status == 0
    assert said.data["daily_ml_after"] == 60.2


def test_the_figures_for_a_person(tmp_path: Path, capsys: Capture) -> None:
    with served(tmp_path, desk(Answer(0, BOOKED, ("alk: stir it well.",)))):
        said = say(capsys, "refill", "alk", "--to", "2 L", "--found", "430 mL", "--state", str(tmp_path))
    assert said.out.splitlines() == [
        "alk: booked.",
        "In it        2000 mL of soda on what was left, 1.99 eq/L",
        "Left before  500.0 mL by the books, found 430.0 mL",
        "Flow         +4.7 % (± 1.9 %) off, since the level was last measured",
        "A day        68.00 mL before, 60.20 mL now",
        "ca a day     30.00 mL before, 31.00 mL now",
        "Lasts        27.94 days, down to its reserve",
    ]
    assert said.err.strip() == "alk: stir it well."


def test_a_refusal_keeps_the_daemon_s_words(tmp_path: Path, capsys: Capture) -> None:
    with served(tmp_path, desk(Answer.refused("refill", "alk: more than its reservoir holds."))):
        said = say(capsys, "refill", "alk", "--to", "3 L", "--state", str(tmp_path), "--json")
    assert said.status == 2
    assert said.data["error"] == {"code": "refill", "message": "alk: more than its reservoir holds."}


@pytest.mark.parametrize(
    ("arguments", "code", "word"),
    [
        (["alk"], "usage", "--to"),
        (["alk", "--found", "430 mL"], "usage", "--to"),
        (["alk", "--to", "2"], "unit", "--to: "),
        (["alk", "--to", "2 L", "--found", "430 g"], "unit", "--found: "),
        (["alk", "--to", "-2 L"], "unit", "negative"),
        (["ALK", "--to", "2 L"], "request", "no channel"),
        (["alk", "--to", "2000 L"], "request", "1000 L at most"),
    ],
)
def test_a_slip_of_the_hand_is_refused_before_anybody_is_asked(
    tmp_path: Path, capsys: Capture, arguments: list[str], code: str, word: str
) -> None:
    with served(tmp_path, desk()) as here:
        said = say(capsys, "refill", *arguments, "--state", str(tmp_path), "--json")
    assert (said.status, said.data["error"]["code"]) == (2, code)
    assert word in said.data["error"]["message"]
    assert here.taken == []


# -- without a daemon ----------------------------------------------------------------------------------------


def test_without_a_daemon_it_is_booked_in_the_ledger_and_its_witness(tmp_path: Path, capsys: Capture) -> None:
    refill = bench(tmp_path, capsys)
    said = refill("alk", "--to", "1.8 L", "--found", "1.2 L", "--json")
    assert said.status == 0
    assert said.data["strength_eq_per_l"] == pytest.approx(EQ_PER_L, rel=1e-4)
    assert (said.data["expected_ml"], said.data["found_ml"], said.data["left_ml"]) == (2000.0, 1200.0, 1800.0)
    newest = rows(tmp_path)[-1]
    assert isinstance(newest, Refilled)
    assert (newest.to_ul, newest.found_ul, newest.stock) == (1_800_000, 1_200_000, "bicarbonate")
    assert newest.poured == newest.strength
    assert newest.strength["alkalinity"] == pytest.approx(EQ_PER_L, rel=1e-4)


def test_a_change_over_s_own_command_books_the_pure_new_strength(tmp_path: Path, capsys: Capture) -> None:
    said = bench(tmp_path, capsys)("alk", "--to", "2 L", "--found", "0 mL", "--stock", "baked", "--json")
    # 250 g of bicarbonate went into the oven for 2 L: baking keeps its alkalinity, so it is twice as strong.
    assert said.data["strength_eq_per_l"] == pytest.approx(2 * EQ_PER_L, rel=1e-4)
    assert said.data["daily_ml_after"] == pytest.approx(said.data["daily_ml_before"] / 2, rel=1e-4)
    assert said.data["waits"] == "its reservoir holds baked by the books, and the plan says bicarbonate"
    assert "dosingd reload" in said.err


def test_a_refusal_without_a_daemon_writes_nothing(tmp_path: Path, capsys: Capture) -> None:
    refill = bench(tmp_path, capsys)
    before = rows(tmp_path)
    said = refill("alk", "--to", "2.1 L", "--json")
    assert (said.status, said.data["error"]["code"]) == (2, "refill")
    assert rows(tmp_path) == before


def test_while_a_daemon_starts_nothing_is_written_beside_it(tmp_path: Path, capsys: Capture) -> None:
    refill = bench(tmp_path, capsys)
    lock = os.open(tmp_path / "state" / LOCK_NAME, os.O_RDWR | os.O_CREAT)
    fcntl.flock(lock, fcntl.LOCK_EX)
    try:
        said = refill("alk", "--to", "2 L", "--json")
    finally:
        os.close(lock)
    assert (said.status, said.data["error"]["code"]) == (2, "silent")
    assert refill("alk", "--to", "2 L", "--json").status == 0, "and the lock is let go of"
    assert refill("alk", "--to", "2 L", "--json").status == 0


def test_a_run_that_nobody_settled_is_the_daemon_s_to_book_first(tmp_path: Path, capsys: Capture) -> None:
    refill = bench(tmp_path, capsys)
    book = book_of(tmp_path)
    book.append(Reserved("alk", Purpose.MANUAL, Into.TANK, 1_000, 1_050, 4_000, 4_500, 250.0), SystemClock().now())
    book.close()
    said = refill("alk", "--to", "2 L", "--json")
    assert (said.status, said.data["error"]["code"]) == (2, "ledger")
    assert "was not settled" in said.data["error"]["message"]


def test_a_ledger_whose_witness_is_gone_takes_no_row(tmp_path: Path, capsys: Capture) -> None:
    refill = bench(tmp_path, capsys)
    for slot in witness_directory(tmp_path / "state").iterdir():
        slot.unlink()
    said = refill("alk", "--to", "2 L", "--json")
    assert (said.status, said.data["error"]["code"]) == (2, "ledger")


def test_no_ledger_no_refill(tmp_path: Path, capsys: Capture) -> None:
    said = say(capsys, "refill", "alk", "--to", "2 L", "--plan", CHANGEOVER, "--state", str(tmp_path / "x"), "--json")
    assert (said.status, said.data["error"]["code"]) == (2, "state")
    assert json.loads(said.out) == said.data


# -- by another plan than the one in force -------------------------------------------------------------------


def other_plan(tmp_path: Path, old: str, new: str) -> list[str]:
    text = Path(CHANGEOVER).read_text(encoding="utf-8")
    assert old in text
    file = tmp_path / "other.yaml"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    return ["--plan", str(file), "--state", str(tmp_path / "state")]


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("rig: ", "rig: other-", "is the plan of the rig other-"),
        ("holds: 2 L", "holds: 1.9 L", "its reservoir holds 1900 mL, not 2000 mL"),
        ("gpio: 17", "gpio: 22", "another gpio, speed, nominal_flow or line"),
    ],
)
def test_no_other_plan_than_the_one_in_force_books_anything(
    tmp_path: Path, capsys: Capture, old: str, new: str, word: str
) -> None:
    bench(tmp_path, capsys)
    before = rows(tmp_path)
    where = other_plan(tmp_path, old, new)
    for arguments in (
        ("refill", "alk", "--to", "1 L"),
        ("calibrate", "alk", "--run", "10 s=2.5 mL", "--run", "30 s=7.5 mL", "--run", "30 s=7.5 mL"),
        ("retube", "alk"),
    ):
        told = say(capsys, *arguments, *where, "--json")
        assert told.status == 2
        assert word in told.data["error"]["message"]
        assert "Nothing was booked." in told.data["error"]["message"]
        assert "--plan" in told.data["error"]["message"]
    assert rows(tmp_path) == before


def test_a_plan_that_differs_in_nothing_that_matters_books(tmp_path: Path, capsys: Capture) -> None:
    bench(tmp_path, capsys)
    where = other_plan(tmp_path, "rig: ", "# a word\nrig: ")
    assert say(capsys, "refill", "alk", "--to", "2 L", *where).status == 0


def test_yes_goes_with_a_confirmation(tmp_path: Path, capsys: Capture) -> None:
    with served(tmp_path, desk(Answer(0, BOOKED))) as here:
        assert say(capsys, "refill", "alk", "--to", "2 L", "--yes", "--state", str(tmp_path)).status == 2
        assert say(capsys, "refill", "alk", "--confirm", "--yes", "--state", str(tmp_path)).status == 0
    assert here.taken == [Refill("alk", None, confirm=True, yes=True)]


def test_an_error_of_nothing_has_no_sign_of_less(tmp_path: Path, capsys: Capture) -> None:
    with served(tmp_path, desk(Answer(0, {**BOOKED, "flow_error_percent": -0.04}))):
        told = say(capsys, "refill", "alk", "--to", "2 L", "--state", str(tmp_path))
    assert "+0.0 % (± 1.9 %) off" in told.out
