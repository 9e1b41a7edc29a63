"""The units: systemd's own tools find nothing to say about them, and every line that safety rests on stands.

Sources: systemd.service(5), systemd.exec(5), systemd.resource-control(5), systemd.unit(5); systemd-analyze(1), verify
and security. `verify` ends with 0 on a misspelt key, so any word from it is a failure.
"""

from __future__ import annotations

import importlib
import os
import re
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import click
import pytest

from dosingd.cli.wishes import DEFAULT_PLAN
from dosingd.daemon.loop import TURN_S
from dosingd.daemon.notify import Notify
from dosingd.daemon.wiring import BOOKING_S

ROOT = Path(__file__).parents[2]
UNITS = ROOT / "systemd"
NAMES = ("dosingd.service", "dosingd-pins-off.service", "dosingd-shutdown.service")
MOST_EXPOSURE = 1.5
PINS_OFF = "/opt/dosingd/bin/python -I -m dosingd.pins_off --state /var/lib/dosingd"

needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")


def settings(name: str) -> Mapping[str, list[str]]:
    """A unit's keys with every value they are given, in order."""
    found: dict[str, list[str]] = {}
    for line in (UNITS / name).read_text(encoding="utf-8").splitlines():
        if line and not line.startswith(("#", "[")):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


def seconds(value: str) -> float:
    return float(value)


def analyze(*arguments: str) -> tuple[int, str]:
    done = subprocess.run(
        ["systemd-analyze", "--no-pager", *arguments], capture_output=True, text=True, check=False, timeout=60
    )
    return done.returncode, done.stdout + done.stderr


def board(tmp_path: Path) -> Path:
    """A root directory with the units, the programs that they name, and the system's own units."""
    root = tmp_path / "root"
    shutil.copytree("/usr/lib/systemd/system", root / "usr/lib/systemd/system", symlinks=True)
    (root / "etc/systemd/system").mkdir(parents=True)
    for name in NAMES:
        shutil.copy(UNITS / name, root / "etc/systemd/system")
    for program in ("opt/dosingd/bin/python", "opt/dosingd/bin/dosingd", "bin/true"):
        (root / program).parent.mkdir(parents=True, exist_ok=True)
        (root / program).write_text("#!/bin/sh\n")
        (root / program).chmod(0o755)
    return root


@needs_systemd
@pytest.mark.parametrize("name", NAMES)
def test_verify_has_nothing_to_say(name: str, tmp_path: Path) -> None:
    assert analyze("verify", f"--root={board(tmp_path)}", name) == (0, "")


@needs_systemd
def test_verify_would_say_what_is_misspelt(tmp_path: Path) -> None:
    root = board(tmp_path)
    unit = root / "etc/systemd/system/dosingd.service"
    unit.write_text(unit.read_text().replace("WatchdogSec=", "WatchdogSecs="))
    assert "WatchdogSecs" in analyze("verify", f"--root={root}", "dosingd.service")[1]


@needs_systemd
@pytest.mark.parametrize("name", NAMES)
def test_a_unit_is_exposed_little(name: str) -> None:
    _, said = analyze("security", "--offline=true", str(UNITS / name))
    found = re.search(r"Overall exposure level for \S+: (\d+\.\d+)", said)
    assert found, said
    print(f"{name}: exposure {found[1]}")
    assert float(found[1]) <= MOST_EXPOSURE


#: Each with what happens without it.
SAFE: Mapping[str, tuple[str, str]] = {
    "Type": ("notify", "a start that hangs is taken for one that doses"),
    "ExecStopPost": (PINS_OFF, "a kernel that keeps levels leaves the pump on after a kill"),
    "WatchdogSignal": ("SIGKILL", "a core dump, or a handler that hangs, with the pump on"),
    "LimitCORE": ("0", "a core dump with the pump on"),
    "KillMode": ("control-group", "a child that lives on keeps the line claimed"),
    "Restart": ("always", "one crash starves the tank"),
    "StartLimitIntervalSec": ("0", "a crash loop ends in silence"),
    "OnFailure": ("dosingd-pins-off.service", "a stop helper that failed is not tried again"),
    "User": ("dosingd", "it may do anything"),
    "SupplementaryGroups": ("gpio", "it cannot drive a line"),
    "DevicePolicy": ("closed", "it may open any device"),
    "DeviceAllow": ("char-gpiochip rw", "neither it nor ExecStopPost can drive a line"),
    "StateDirectory": ("dosingd", "it cannot write its ledger"),
    "UMask": ("0027", "anyone may read the ledger"),
    "ProtectSystem": ("strict", "it may write the plan"),
    "SystemCallErrorNumber": ("EPERM", "a call that is not allowed kills it in mid-dose"),
}


@pytest.mark.parametrize("key", SAFE)
def test_a_line_that_safety_rests_on_stands(key: str) -> None:
    value, without = SAFE[key]
    assert settings("dosingd.service").get(key) == [value], without


def test_a_hung_daemon_is_killed_within_seconds_and_a_live_one_is_not() -> None:
    unit = settings("dosingd.service")
    [patience], [after_kill] = unit["WatchdogSec"], unit["TimeoutAbortSec"]
    assert seconds(patience) <= 5.0
    assert seconds(after_kill) <= 5.0, "without it 90 s pass, with the pump on"
    fed_every_s = Notify({"WATCHDOG_USEC": str(int(seconds(patience) * 1e6))}).feed_every_s
    assert fed_every_s is not None
    assert fed_every_s + TURN_S < seconds(patience) / 2, "one may be lost"


def test_a_stop_has_time_to_book_and_no_more() -> None:
    [stop] = settings("dosingd.service")["TimeoutStopSec"]
    assert BOOKING_S + 5.0 <= seconds(stop) <= 30.0


def test_a_crash_loop_is_slow() -> None:
    [pause] = settings("dosingd.service")["RestartSec"]
    assert 10.0 <= seconds(pause) <= 30.0


def test_what_a_pump_and_the_clock_need_is_not_hidden() -> None:
    for name in NAMES:
        unit = settings(name)
        assert "PrivateDevices" not in unit, "it hides the GPIO chips"
        assert "ProcSubset" not in unit, "it hides the boot's id and the board's revision"
        assert unit["StateDirectory"] == ["dosingd"]
        assert unit["WorkingDirectory"] == ["/var/lib/dosingd"], "lgpio makes a pipe where it is imported"
    daemon = settings("dosingd.service")
    hidden = " ".join(daemon.get("InaccessiblePaths", []) + daemon.get("TemporaryFileSystem", []))
    assert "/run" not in hidden, "whether the clock is synchronised stands in /run/systemd/timesync"


def test_no_dose_waits_for_the_network_or_for_its_time() -> None:
    for name in NAMES:
        unit = settings(name)
        for key in ("After", "Wants", "Requires", "BindsTo"):
            waited = " ".join(unit.get(key, []))
            assert "online" not in waited
            assert "time-sync" not in waited


def test_the_daemon_reaches_the_house_and_no_further() -> None:
    unit = settings("dosingd.service")
    assert unit["IPAddressDeny"] == ["any"]
    [allowed] = unit["IPAddressAllow"]
    # RFC 1918, RFC 4193.
    assert {"localhost", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7"} <= set(allowed.split())
    assert "PrivateNetwork" not in unit


def test_the_password_is_handed_over_and_its_absence_keeps_nothing_from_starting() -> None:
    unit = settings("dosingd.service")
    assert unit["LoadCredential"] == ["mqtt-password:/etc/dosingd/mqtt-password"]
    # An empty default: a credential that cannot be loaded would be a failed start (systemd.exec(5), SetCredential=).
    assert unit["SetCredential"] == [r"mqtt-password:\n"]


def test_lines_are_low_before_the_daemon_at_a_boot_and_after_it_at_a_shutdown() -> None:
    boot, shutdown = settings("dosingd-pins-off.service"), settings("dosingd-shutdown.service")
    assert boot["ExecStart"] == [PINS_OFF]
    assert boot["Type"] == ["oneshot"]
    assert "RemainAfterExit" not in boot, "started again when the daemon has failed, it would do nothing"
    assert boot["WantedBy"] == ["multi-user.target"]
    assert "dosingd.service" in boot["Before"][0].split()
    # What is started before the other is stopped after it (systemd.unit(5), Before=).
    assert shutdown["ExecStop"] == [PINS_OFF]
    assert shutdown["RemainAfterExit"] == ["yes"], "it would not be stopped at a shutdown"
    assert set(shutdown["Before"][0].split()) == {"dosingd.service", "systemd-user-sessions.service"}
    assert shutdown["WantedBy"] == ["multi-user.target"]
    daemon = settings("dosingd.service")
    assert set(daemon["Also"][0].split()) == {"dosingd-pins-off.service", "dosingd-shutdown.service"}
    assert daemon["Wants"] == ["dosingd-shutdown.service"]
    for unit in (boot, shutdown):
        assert unit["DeviceAllow"] == ["char-gpiochip rw"]
        assert unit["User"] == ["dosingd"]
        assert unit["SupplementaryGroups"] == ["gpio"]


def test_a_restart_does_not_overwrite_when_the_lines_were_driven_low() -> None:
    """The stop helper ran when the daemon ended; run again before the next start it would say "just now"."""
    daemon = settings("dosingd.service")
    assert "dosingd-pins-off.service" not in " ".join(daemon.get("Wants", []) + daemon.get("Requires", []))
    assert "ExecStartPre" not in daemon


def test_the_commands_are_the_programs() -> None:
    unit = settings("dosingd.service")
    for key, verb in (("ExecStart", "run"), ("ExecReload", "reload")):
        program, asked, *rest = unit[key][0].split()
        assert (program, asked) == ("/opt/dosingd/bin/dosingd", verb)
        command: click.Command = getattr(importlib.import_module(f"dosingd.cli.{verb}"), verb)
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in rest if word.startswith("--")} <= known
        assert f"--plan {DEFAULT_PLAN} --state /var/lib/dosingd" in unit[key][0]
    assert unit["Environment"] == ["RUN_OPTIONS="], "systemd complains of an unset one"
    assert unit["ExecStart"][0].endswith(" $RUN_OPTIONS")


@needs_systemd
@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives directories to others")
def test_the_account_may_use_the_pins_and_own_its_state(tmp_path: Path) -> None:
    for kind in ("sysusers", "tmpfiles"):
        (tmp_path / f"etc/{kind}.d").mkdir(parents=True)
        shutil.copy(UNITS / f"{kind}.d/dosingd.conf", tmp_path / f"etc/{kind}.d")
    for tool in (["systemd-sysusers"], ["systemd-tmpfiles", "--create"]):
        done = subprocess.run([*tool, f"--root={tmp_path}"], capture_output=True, text=True, check=False, timeout=60)
        assert done.returncode == 0, done.stderr
    groups = dict(re.findall(r"^(\w+):.*?:.*?:(.*)$", (tmp_path / "etc/group").read_text(), re.M))
    assert groups == {"gpio": "dosingd", "dosingd": ""}
    [account] = (tmp_path / "etc/passwd").read_text().splitlines()
    name, _, uid, gid, *_, shell = account.split(":")
    assert (name, shell) == ("dosingd", "/usr/sbin/nologin")
    state, config = (tmp_path / "var/lib/dosingd").stat(), (tmp_path / "etc/dosingd").stat()
    assert (state.st_uid, state.st_gid, state.st_mode & 0o777) == (int(uid), int(gid), 0o750)
    assert (config.st_uid, config.st_mode & 0o777) == (0, 0o755), "only root writes a plan"


def test_a_kernel_that_hangs_or_panics_is_reset_within_seconds() -> None:
    said = (UNITS / "system.conf.d/dosingd.conf").read_text(encoding="utf-8")
    [counted] = re.findall(r"^RuntimeWatchdogSec=(\d+)$", said, re.M)
    assert int(counted) <= 15, "a Raspberry Pi's counts no further"
    said = (UNITS / "sysctl.d/dosingd.conf").read_text(encoding="utf-8")
    assert re.search(r"^kernel\.panic = [1-9]\d?$", said, re.M)
    assert re.search(r"^kernel\.panic_on_oops = 1$", said, re.M)
