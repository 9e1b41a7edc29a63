"""The broker's password: read from its file or from systemd's credential, and seen nowhere else."""

from __future__ import annotations

import json
import resource
from pathlib import Path

import pytest

from dosingd.mqtt.secrecy import open_to_others
from dosingd.plan.model import Broker as Settings
from tests.cli.running import say
from tests.daemon.child import CALM, Rig
from tests.mqtt.broker import Broker, Certificates, Listener, needs_mosquitto, wait_until
from tests.mqtt.links import Log, linked
from tests.mqtt.proxy import Proxy
from tests.mqtt.states import state

pytestmark = [pytest.mark.broker, needs_mosquitto]

USER, PASSWORD = "calm-user", "swordfish-17-nobody-knows"


def mqtt_lines(port: int, password_file: Path, authority: Path | None) -> str:
    tls = "" if authority is None else f"  tls: {{ca: {authority}}}\n"
    host = "127.0.0.1" if authority is None else "localhost"
    return f"mqtt:\n  host: {host}\n  port: {port}\n  username: {USER}\n  password_file: {password_file}\n{tls}"


def seen_by_others(rig: Rig) -> bytes:
    """What any process of this machine may read of the daemon's own, and all that the daemon wrote."""
    process = Path("/proc") / str(rig.pid)
    found = [(process / name).read_bytes() for name in ("cmdline", "environ", "comm", "status")]
    found += [task.read_bytes() for task in process.glob("task/*/comm")]
    found += [path.read_bytes() for path in rig.state.rglob("*") if path.is_file()]
    found += [rig.log_file.read_bytes(), rig.plan_file.read_bytes()]
    return b"\0".join(found)


def test_with_tls_the_password_is_seen_nowhere(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_text(PASSWORD + "\n", encoding="ascii")
    file.chmod(0o600)
    certificates = Certificates(tmp_path)
    broker = Broker(tmp_path, users={USER: PASSWORD}, certificates=certificates)
    with broker, Proxy(broker.port, keep=True) as wire, Listener(broker) as listener:
        with Rig(tmp_path, CALM + mqtt_lines(wire.port, file, certificates.authority)) as rig:
            rig.start()
            listener.wait_for("dosingd/calm/alive", "online")
            listener.wait_for("dosingd/calm/rig", lambda payload: payload != "")
            assert PASSWORD.encode() not in seen_by_others(rig)
            assert not any(PASSWORD in payload for payload in listener.heard())
            assert PASSWORD not in json.dumps(rig.ask("status"))
            assert PASSWORD not in json.dumps(rig.ask("history"))
            assert rig.stop() == 0
            assert PASSWORD not in rig.log
        assert len(wire.seen) > 500
        for secret in (PASSWORD, USER, "dosingd/calm", "planned_today_ml"):
            assert secret.encode() not in wire.seen


def test_without_tls_the_wire_shows_all_of_it(tmp_path: Path) -> None:
    """So what listens there hears what there is to hear, and the test above means something."""
    file = tmp_path / "password"
    file.write_text(PASSWORD, encoding="ascii")
    broker = Broker(tmp_path, users={USER: PASSWORD})
    with broker, Proxy(broker.port, keep=True) as wire:
        with linked(Settings("127.0.0.1", wire.port, username=USER, password_file=str(file))) as link:
            link.show(state())
            wait_until(lambda: b"planned_today_ml" in wire.seen, "the state passes")
        for secret in (PASSWORD, USER, "dosingd/lagoon"):
            assert secret.encode() in wire.seen


def test_systemds_credential_is_taken_where_the_file_itself_is_not_to_be_read(tmp_path: Path) -> None:
    credentials = tmp_path / "credentials"
    credentials.mkdir(mode=0o700)
    (credentials / "broker-password").write_text(PASSWORD, encoding="ascii")
    with Broker(tmp_path, users={USER: PASSWORD}) as broker, Listener(broker) as listener:
        lines = mqtt_lines(broker.port, Path("/nowhere/at/all/broker-password"), None)
        with Rig(tmp_path, CALM + lines) as rig:
            rig.start(CREDENTIALS_DIRECTORY=str(credentials))
            listener.wait_for("dosingd/calm/alive", "online")
            assert PASSWORD.encode() not in seen_by_others(rig)


def test_no_core_file_holds_the_password(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_text(PASSWORD, encoding="ascii")
    most = resource.getrlimit(resource.RLIMIT_CORE)
    resource.setrlimit(resource.RLIMIT_CORE, (most[1], most[1]))
    try:
        for lines, limit in ((mqtt_lines(1, file, None), 0), ("", most[1])):
            (tmp_path / f"limit {limit}").mkdir()
            with Rig(tmp_path / f"limit {limit}", CALM + lines) as rig:
                rig.start()
                assert resource.prlimit(rig.pid, resource.RLIMIT_CORE) == (limit, most[1])
    finally:
        resource.setrlimit(resource.RLIMIT_CORE, most)


def test_whoever_pretends_to_be_the_broker_gets_no_password(tmp_path: Path) -> None:
    """To a broker with a certificate of another authority not a byte of MQTT is said."""
    file = tmp_path / "password"
    file.write_text(PASSWORD, encoding="ascii")
    (tmp_path / "other").mkdir()
    mine, other = Certificates(tmp_path), Certificates(tmp_path / "other")
    broker, log = Broker(tmp_path, users={USER: PASSWORD}, certificates=other), Log()
    settings = Settings(
        "localhost", broker.port, tls=True, ca_file=str(mine.authority), username=USER, password_file=str(file)
    )
    with broker, Listener(broker) as listener, linked(settings, log) as link:
        link.show(state())
        wait_until(lambda: log.with_word("is not signed by an authority") != [], "the refusal is told")
        assert listener.heard() == []
        assert "dosingd-lagoon" not in next(tmp_path.glob("mosquitto-*.log")).read_text(encoding="utf-8")
        assert not log.with_word(PASSWORD)


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o602, 0o620, 0o777])
def test_a_password_file_that_others_may_read_is_told_at_the_start_and_by_check(
    tmp_path: Path, mode: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    file, log = tmp_path / "a password", Log()
    file.write_text(PASSWORD, encoding="ascii")
    file.chmod(mode)
    plan = tmp_path / "plan.yaml"
    plan.write_text(CALM + mqtt_lines(1, file, None), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    line = next(
        number
        for number, text in enumerate(plan.read_text(encoding="utf-8").splitlines(), 1)
        if text.startswith("  password_file")
    )
    said = say(capsys, "check", "plan.yaml")
    assert said.status == 0
    assert f"plan.yaml:{line}:" in said.err
    assert f"sudo chmod go= '{file}'" in said.err
    with linked(Settings("127.0.0.1", 1, username=USER, password_file=str(file)), log):
        wait_until(lambda: log.with_word("chmod go=") != [], "it is told")
    assert PASSWORD not in said.err + said.out
    file.chmod(mode & 0o700)
    assert "chmod" not in say(capsys, "check", "plan.yaml").err
    assert open_to_others(str(file)) is None


def test_systemds_credentials_have_modes_of_their_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "broker-password"
    file.write_text(PASSWORD, encoding="ascii")
    file.chmod(0o644)
    assert open_to_others(str(file)) is not None
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert open_to_others(str(file)) is None
    assert open_to_others(f"{file}-that-is-not-there") is None
