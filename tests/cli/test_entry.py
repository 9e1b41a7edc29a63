"""The way in: exit statuses, JSON or nothing, and no traceback for a person."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from dosingd.cli import entry
from dosingd.cli.entry import unexpected
from dosingd.errors import DosingError, LedgerFailed, LedgerRefused
from tests.cli.running import LAGOON, ROOT, altered, say

Capture = pytest.CaptureFixture[str]


@pytest.mark.parametrize("verb", entry.VERBS)
def test_each_verb_has_help_with_an_example(verb: str, capsys: Capture) -> None:
    said = say(capsys, verb, "--help")
    assert said.status == 0
    assert f"Example:  dosingd {verb}" in " ".join(said.out.split("\n"))
    assert "--json" in said.out


def test_help_names_every_verb(capsys: Capture) -> None:
    said = say(capsys, "--help")
    assert said.status == 0
    assert all(f"\n  {verb} " in said.out for verb in entry.VERBS)


def test_options_may_stand_before_and_after_the_verb(capsys: Capture) -> None:
    before = say(capsys, "--json", "--plan", LAGOON, "check")
    after = say(capsys, "check", "--json", "--plan", LAGOON)
    named = say(capsys, "check", LAGOON, "--json")
    assert before.status == after.status == named.status == 0
    assert before.data == after.data == named.data


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["chek", LAGOON], 'Did you mean "check"?'),
        (["pour"], "The verbs are: check"),
        ([], "check"),
        (["check", "--colour"], "--colour"),
        (["check", LAGOON, "another"], "another"),
        (["day", LAGOON, "--date", "28.3.2027"], "2027-03-28"),
        (["day", LAGOON, "--date", "20270328"], "2027-03-28"),
        (["day", LAGOON, "--date", "2027-02-29"], "2027-03-28"),
        (["day", LAGOON, "--date", "1887-02-20"], "2000-01-01"),
        (["rehearse", LAGOON, "--days", "0"], "days"),
        (["rehearse", LAGOON, "--days", "many"], "days"),
        (["rehearse", LAGOON, "--days", "3000", "--start", "2099-01-01"], "2099-12-31"),
        (["rehearse", LAGOON, "--seed", "-1"], "seed"),
        (["history", "--since", "yesterday"], "2027-03-28T13:00"),
    ],
)
def test_bad_usage_is_refused_in_words_and_in_json(arguments: list[str], expected: str, capsys: Capture) -> None:
    in_words = say(capsys, *arguments)
    assert (in_words.status, in_words.out) == (2, "")
    assert expected in in_words.err
    in_json = say(capsys, "--json", *arguments)
    assert in_json.status == 2
    assert set(in_json.data["error"]) == {"code", "message"}
    assert in_json.data["error"]["code"] == "usage"
    assert expected in in_json.data["error"]["message"]


@pytest.mark.parametrize(
    ("fault", "status", "code"),
    [
        (LedgerRefused("no"), 2, "ledger"),
        (LedgerFailed("no"), 1, "ledger"),
        (DosingError("no"), 1, "failed"),
        (RuntimeError("the roof is leaking"), 1, "failed"),
        (OSError(28, "No space left on device"), 1, "failed"),
        (KeyboardInterrupt(), 1, "stopped"),
    ],
)
def test_no_traceback_reaches_a_person_without_debug(
    fault: BaseException, status: int, code: str, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    @click.command()
    def check() -> None:
        raise fault

    monkeypatch.setattr(entry.Verbs, "get_command", lambda *_: check)
    said = say(capsys, "check")
    assert (said.status, said.out) == (status, "")
    assert said.err.strip()
    assert "Traceback" not in said.err
    in_json = say(capsys, "--json", "check")
    assert in_json.status == status
    assert in_json.data["error"]["code"] == code


def test_debug_shows_where_it_happened(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    @click.command()
    def check() -> None:
        raise RuntimeError("the roof is leaking")

    monkeypatch.setattr(entry.Verbs, "get_command", lambda *_: check)
    said = say(capsys, "--debug", "check")
    assert said.status == 1
    assert "Traceback" in said.err
    assert "the roof is leaking" in said.err


def _child(*arguments: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "dosingd", *arguments],
        cwd=ROOT,
        env={**os.environ, **environment},
        capture_output=True,
        timeout=60,
        check=False,
    )


def test_a_reader_that_goes_away_sees_no_traceback(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as pipe:
        said = subprocess.run(
            [sys.executable, "-m", "dosingd", "check", LAGOON],
            cwd=ROOT,
            stdout=pipe,
            stderr=subprocess.PIPE,
            timeout=60,
            check=False,
        )
    assert said.returncode == 1
    assert b"Traceback" not in said.stderr
    assert b"Exception ignored" not in said.stderr


def test_a_terminal_of_plain_ascii_is_no_fault(tmp_path: Path) -> None:
    plan = altered(tmp_path / "Größe.yaml", [])
    said = _child("check", plan, PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert said.returncode == 0, said.stderr
    assert b"Gr??e.yaml: a plan that can be acted on" in said.stdout


def test_python_m_dosingd_is_the_same_command() -> None:
    said = _child("--version")
    assert said.returncode == 0
    assert said.stdout.startswith(b"dosingd ")


def test_a_daemon_that_ends_by_a_fault_does_not_say_that_nothing_was_pumped() -> None:
    for fault in (OSError("no more files"), ValueError("no such thing")):
        said = unexpected(fault, ["--plan", "a.yaml", "run", "--bench"])
        assert "What was pumped shows: dosingd history" in said
        assert "othing was pumped" not in said
        assert "Nothing was pumped." in unexpected(fault, ["check", "a.yaml"])
