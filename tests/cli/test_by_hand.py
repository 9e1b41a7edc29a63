"""dose, prime, hold, release, pause, reload and history against a socket with a desk of the test's own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from dosingd.cli.reply import fitted
from dosingd.records import Into
from dosingd.requests import (
    MOST_ROWS,
    Answer,
    Dose,
    History,
    Hold,
    Pause,
    Prime,
    Release,
    Reload,
    Request,
    Resume,
    Status,
    Suspend,
)
from tests.cli.running import LAGOON, say
from tests.cli.terminal import terminal
from tests.control.callers import Reply, served, until

Capture = pytest.CaptureFixture[str]

GIVEN: Mapping[str, Any] = {
    "outcome": "given", "asked_ul": 4000, "given_ul": 4003, "reason": None, "makes_refused": [],
}  # fmt: skip
REFUSED = Answer.refused("day-limit", "alk: 4.00 mL refused: its day limit leaves 1.10 mL now. Nothing was pumped.")


def desk(*answers: Answer) -> Callable[[Request, Reply], None]:
    """A desk that gives these answers, one after the other."""
    left = list(answers)
    return lambda _, reply: reply(left.pop(0))


# -- dose ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", [["4 mL"], ["4", "mL"], ["0.004 L"], ["4000 uL"]])
def test_a_dose_is_asked_for_in_whole_microlitres(tmp_path: Path, capsys: Capture, typed: list[str]) -> None:
    with served(tmp_path, desk(Answer(0, GIVEN))) as here:
        said = say(capsys, "dose", "alk", *typed, "--state", str(tmp_path), "--json")
    assert here.taken == [Dose("alk", 4000)]
    assert said.status == 0
    assert said.data == GIVEN


def test_a_dose_names_the_scheduled_doses_that_it_makes_refused(tmp_path: Path, capsys: Capture) -> None:
    refused = [
        {"channel": "ca", "at": "2027-03-28T13:40:00.000+01:00", "why": "ca: 20 min must lie between alk and ca"},
        {"channel": "alk", "at": "2027-03-28T14:10:00.000+01:00", "why": "alk: its day limit leaves 0.50 mL"},
    ]
    with served(tmp_path, desk(Answer(0, {**GIVEN, "makes_refused": refused}))):
        said = say(capsys, "dose", "alk", "4 mL", "--state", str(tmp_path))
    assert said.status == 0
    assert said.out.splitlines() == [
        "alk: 4.00 mL given.",
        "Because of it these 2 scheduled doses will be refused, and not made up for:",
        "  Sun 13:40  ca: 20 min must lie between alk and ca",
        "  Sun 14:10  alk: its day limit leaves 0.50 mL",
    ]


def test_a_refused_dose_exits_2_with_the_gates_own_code_and_words(tmp_path: Path, capsys: Capture) -> None:
    with served(tmp_path, desk(REFUSED, REFUSED)):
        said = say(capsys, "dose", "alk", "4 mL", "--state", str(tmp_path), "--json")
        in_words = say(capsys, "dose", "alk", "4 mL", "--state", str(tmp_path))
    assert said.status == in_words.status == 2
    assert said.data == {"error": {"code": "day-limit", "message": REFUSED.text}}
    assert (in_words.out, in_words.err.strip()) == ("", REFUSED.text)


def test_a_dose_that_was_cut_short_exits_1_and_says_what_was_given(tmp_path: Path, capsys: Capture) -> None:
    data = {**GIVEN, "outcome": "partial", "given_ul": 1200, "reason": "interrupted"}
    answer = Answer(1, data, code="partial", text="alk: only 1.20 mL of 4.00 mL were given: interrupted.")
    with served(tmp_path, desk(answer)):
        said = say(capsys, "dose", "alk", "4 mL", "--state", str(tmp_path), "--json")
    assert said.status == 1
    assert (said.data["outcome"], said.data["given_ul"]) == ("partial", 1200)
    assert "only 1.20 mL" in said.err


@pytest.mark.parametrize(
    ("arguments", "code", "expected"),
    [
        (["dose", "alk", "4"], "unit", "a unit is missing"),
        (["dose", "alk", "4 dKH"], "unit", "volume"),
        (["dose", "alk", "4,5 mL"], "unit", "4.5"),
        (["dose", "alk", "0 mL"], "request", "above zero"),
        (["dose", "alk", "2 L"], "request", "1000 mL at most"),
        (["dose", "ALK", "4 mL"], "request", "no channel"),
        (["dose", "alk"], "usage", "VOLUME"),
        (["prime", "alk"], "usage", "--into"),
        (["prime", "alk", "--into", "sink"], "usage", "sink"),
        (["pause", "30"], "unit", "a unit is missing"),
        (["pause", "5 h"], "request", "4 hours at most"),
        (["pause", "0 min"], "request", "above zero"),
        (["pause", "4 mL"], "unit", "time"),
        (["hold", "--why", "x" * 201], "request", "200 at most"),
        (["hold", "--why", "a\nb"], "request", "cannot be printed"),
        (["hold", "--why", " "], "request", "blank"),
    ],
)
def test_what_makes_no_sense_is_refused_before_anybody_is_asked(
    tmp_path: Path, capsys: Capture, arguments: list[str], code: str, expected: str
) -> None:
    with served(tmp_path) as here:
        said = say(capsys, *arguments, "--state", str(tmp_path), "--json")
    assert here.taken == []
    assert said.status == 2
    assert said.data["error"]["code"] == code
    assert expected in said.data["error"]["message"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["dose", "alk", "4 mL"],
        ["prime", "alk", "--into", "tank"],
        ["prime", "alk", "4 mL", "--into", "cup"],
        ["hold"],
        ["release"],
        ["pause", "30 min"],
        ["pause", "off"],
        ["reload"],
    ],
)
def test_without_a_daemon_nothing_is_done_and_the_command_that_starts_it_is_named(
    tmp_path: Path, capsys: Capture, arguments: list[str]
) -> None:
    said = say(capsys, *arguments, "--state", str(tmp_path / "my state"), "--plan", LAGOON, "--json")
    assert said.status == 2
    assert said.data["error"]["code"] == "no-daemon"
    message = said.data["error"]["message"]
    assert "Nothing was done" in message
    assert f"dosingd run --plan {LAGOON} --state '{tmp_path}/my state'" in message


# -- prime, hold, release, pause, reload ---------------------------------------------------------------------


def test_prime_without_a_terminal_only_primes(tmp_path: Path, capsys: Capture) -> None:
    with served(tmp_path, desk(*[Answer(0, GIVEN)] * 3)) as here:
        cup = say(capsys, "prime", "alk", "--into", "cup", "--state", str(tmp_path))
        tank = say(capsys, "prime", "alk", "3.5 mL", "--into", "tank", "--state", str(tmp_path))
        in_json = say(capsys, "prime", "alk", "--into", "cup", "--state", str(tmp_path), "--json")
    assert here.taken == [
        Prime("alk", None, Into.CUP),
        Prime("alk", 3500, Into.TANK),
        Prime("alk", None, Into.CUP),
    ]
    assert cup.out == "alk: 4.00 mL given into the cup.\n"
    assert "counts as given" in tank.out
    assert in_json.data["outcome"] == "given"


OK = Answer(0, {"ok": True, "message": "It is done."})


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["hold"], Hold(None)),
        (["hold", "--why", "moving the reservoirs"], Hold("moving the reservoirs")),
        (["release"], Release(False)),
        (["release", "--clock"], Release(True)),
        (["pause", "30 min"], Pause(1800.0)),
        (["pause", "2", "h"], Pause(7200.0)),
        (["pause", "4 h"], Pause(14_400.0)),
        (["pause", "off"], Pause(None)),
        (["reload"], Reload(False)),
        (["reload", "--yes"], Reload(True)),
    ],
)
def test_orders_arrive_as_they_were_meant(
    tmp_path: Path, capsys: Capture, arguments: list[str], expected: Request
) -> None:
    with served(tmp_path, desk(OK, OK)) as here:
        in_json = say(capsys, *arguments, "--state", str(tmp_path), "--json")
        in_words = say(capsys, *arguments, "--state", str(tmp_path))
    assert here.taken == [expected, expected]
    assert in_json.status == in_words.status == 0
    assert in_json.data == {"ok": True, "message": "It is done."}
    assert in_words.out == "It is done.\n"


def test_a_reload_that_asks_for_yes_exits_2_where_nobody_can_be_asked(tmp_path: Path, capsys: Capture) -> None:
    more = Answer.refused("confirm", "alk: 1.20 dKH a day becomes 2.00 dKH. If that is meant: dosingd reload --yes")
    with served(tmp_path, desk(more)) as here:
        said = say(capsys, "reload", "--state", str(tmp_path), "--json")
    assert here.taken == [Reload(False)]
    assert said.status == 2
    assert said.data == {"error": {"code": "confirm", "message": more.text}}


def test_a_failure_of_the_daemon_exits_1(tmp_path: Path, capsys: Capture) -> None:
    with served(tmp_path, desk(Answer.failed("slow", "Every pump is off, but it is not booked yet."))):
        said = say(capsys, "hold", "--state", str(tmp_path), "--json")
    assert said.status == 1
    assert said.data["error"]["code"] == "slow"


# -- on a terminal -------------------------------------------------------------------------------------------


def test_prime_into_a_cup_is_guided_on_a_terminal(tmp_path: Path) -> None:
    with (
        served(tmp_path, desk(OK, Answer(0, GIVEN), OK)) as here,
        terminal("prime", "alk", "--into", "cup", "--state", str(tmp_path)) as screen,
    ):
        screen.read_until("over a measuring cup")
        assert here.taken == [Suspend("alk")]
        screen.type("\n")
        screen.read_until("over the tank again")
        assert here.taken == [Suspend("alk"), Prime("alk", None, Into.CUP)]
        screen.type("\n")
        assert screen.status() == 0
        assert here.taken == [Suspend("alk"), Prime("alk", None, Into.CUP), Resume("alk")]
    assert "gloves" in screen.said
    assert "alk: 4.00 mL given into the cup." in screen.said


def test_a_refused_prime_still_asks_for_the_outlet_and_lets_the_channel_dose_again(tmp_path: Path) -> None:
    with (
        served(tmp_path, desk(OK, REFUSED, OK)) as here,
        terminal("prime", "alk", "4 mL", "--into", "cup", "--state", str(tmp_path)) as screen,
    ):
        screen.read_until("over a measuring cup")
        screen.type("\n")
        screen.read_until("over the tank again")
        screen.type("\n")
        assert screen.status() == 2
        assert here.taken[-1] == Resume("alk")
    assert "its day limit leaves 1.10 mL" in screen.said


def test_a_prime_that_is_left_in_the_middle_says_what_becomes_of_the_channel(tmp_path: Path) -> None:
    with (
        served(tmp_path, desk(OK)) as here,
        terminal("prime", "alk", "--into", "cup", "--state", str(tmp_path)) as screen,
    ):
        screen.read_until("over a measuring cup")
        screen.interrupt()
        assert screen.status() == 1
        assert here.taken == [Suspend("alk")]
    assert "30 minutes" in screen.said
    assert "Traceback" not in screen.said


def test_ctrl_c_while_a_line_is_primed_does_not_let_the_channel_dose_again(tmp_path: Path) -> None:
    def no_answer_to_prime(request: Request, reply: Reply) -> None:
        if not isinstance(request, Prime):
            reply(OK)

    with (
        served(tmp_path, no_answer_to_prime) as here,
        terminal("prime", "alk", "--into", "cup", "--state", str(tmp_path)) as screen,
    ):
        screen.read_until("over a measuring cup")
        screen.type("\n")
        until(lambda: len(here.taken) == 2)
        screen.interrupt()
        assert screen.status() == 1
        assert here.taken == [Suspend("alk"), Prime("alk", None, Into.CUP)]
    assert "To stop it: dosingd hold" in screen.said
    assert "30 minutes" in screen.said


@pytest.mark.parametrize(("typed", "status", "asked"), [("y\n", 0, 2), ("n\n", 2, 1), ("\n", 2, 1)])
def test_a_reload_that_raises_a_channel_asks_on_a_terminal(tmp_path: Path, typed: str, status: int, asked: int) -> None:
    more = Answer.refused("confirm", "alk: 1.20 dKH a day becomes 2.00 dKH.")
    with served(tmp_path, desk(more, OK)) as here, terminal("reload", "--state", str(tmp_path)) as screen:
        screen.read_until("[y/N]")
        assert "becomes 2.00 dKH" in screen.said
        screen.type(typed)
        assert screen.status() == status
        assert here.taken == [Reload(False), Reload(True)][:asked]


def test_ctrl_c_in_a_dose_says_that_the_run_goes_on(tmp_path: Path) -> None:
    with (
        served(tmp_path, lambda _, __: None) as here,
        terminal("dose", "alk", "4 mL", "--state", str(tmp_path)) as screen,
    ):
        until(lambda: len(here.taken) == 1)
        screen.interrupt()
        assert screen.status() == 1
    assert "To stop it: dosingd hold" in screen.said
    assert "Traceback" not in screen.said


# -- history -------------------------------------------------------------------------------------------------


def entry(seq: int) -> dict[str, Any]:
    at = datetime(2027, 3, 28, 12, 0, tzinfo=UTC) + timedelta(seconds=seq)
    nothing = dict.fromkeys(["channel", "slot", "asked_ul", "given_ul", "outcome", "reason"])
    return {**nothing, "seq": seq, "at": at.isoformat(timespec="milliseconds"), "kind": "stamp"}


@pytest.mark.parametrize("rows", [0, 1, MOST_ROWS - 1, MOST_ROWS, MOST_ROWS + 1, 2 * MOST_ROWS + 7])
def test_history_is_asked_for_page_by_page(tmp_path: Path, capsys: Capture, rows: int) -> None:
    def paging(request: Request, reply: Reply) -> None:
        assert isinstance(request, History)
        page = [entry(seq) for seq in range(request.after_seq + 1, rows + 1)][: request.limit]
        reply(Answer(0, {"entries": page}))

    with served(tmp_path, paging) as here:
        said = say(capsys, "history", "--channel", "alk", "--state", str(tmp_path), "--json")
    assert said.status == 0
    assert said.data == {"entries": [entry(seq) for seq in range(1, rows + 1)]}
    assert len(here.taken) == rows // MOST_ROWS + 1
    assert all(isinstance(each, History) and each.channel == "alk" for each in here.taken)


@pytest.mark.parametrize(
    ("typed", "asked"),
    [
        ("2027-03-28T13:00", [Status(), History(datetime(2027, 3, 28, 12, 0, tzinfo=UTC))]),  # summer time in Lisbon
        ("2027-03-27", [Status(), History(datetime(2027, 3, 27, tzinfo=UTC))]),
        ("2027-03-28T13:00+00:00", [History(datetime(2027, 3, 28, 13, 0, tzinfo=UTC))]),
    ],
)
def test_history_since_a_local_time_uses_the_plans_zone(
    tmp_path: Path, capsys: Capture, typed: str, asked: list[Request]
) -> None:
    nothing = desk(Answer(0, {"entries": []}))
    with served(tmp_path, nothing, status={"timezone": "Europe/Lisbon"}) as here:
        said = say(capsys, "history", "--since", typed, "--state", str(tmp_path))
    assert here.taken == asked
    assert said.out == "No such rows.\n"


def test_a_daemon_that_gives_the_same_page_for_ever_is_not_asked_for_ever(tmp_path: Path, capsys: Capture) -> None:
    page = Answer(0, {"entries": [entry(seq) for seq in range(1, MOST_ROWS + 1)]})
    with served(tmp_path, desk(page, page, page)) as here:
        said = say(capsys, "history", "--state", str(tmp_path), "--json")
    assert said.status == 1
    assert len(here.taken) == 2


def test_history_reads_the_file_only_where_no_daemon_runs(tmp_path: Path, capsys: Capture) -> None:
    state = str(tmp_path / "state")
    say(capsys, "init", "--plan", LAGOON, "--bench", "--state", state)
    without = say(capsys, "history", "--state", state, "--json").data["entries"]
    assert len(without) == 9
    with served(Path(state), desk(Answer.refused("starting", "The daemon is still starting."))):
        said = say(capsys, "history", "--state", state, "--json")
    assert said.status == 2
    assert said.data["error"]["code"] == "starting"


def test_a_long_message_is_folded_on_a_terminal_and_a_table_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    long = "No pump runs until 13:00; doses due until then are missed, not made up for. To end it: dosingd pause off"
    table = "channel" + "  a column" * 9
    monkeypatch.setenv("COLUMNS", "80")
    assert fitted(f"{long}\n{table}") == f"{long}\n{table}", "whatever else reads it gets whole lines"
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    shown = fitted(f"{long}\n{table}").split("\n")
    assert [len(line) <= 80 for line in shown] == [True, True, False]
    assert shown[2] == table
