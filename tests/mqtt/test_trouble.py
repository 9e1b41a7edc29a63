"""Why there is no connection, in words: what is the matter, where, and the next step."""

from __future__ import annotations

import socket
import ssl
from pathlib import Path

import pytest

from dosingd.mqtt import trouble
from dosingd.mqtt.trouble import ABSENT_WAIT_S, Trouble
from dosingd.plan.model import Broker

PLAIN = Broker("broker.lan", username="lagoon", password_file="/etc/dosingd/mqtt-password")
TLS = Broker("broker.lan", 8883, tls=True)


def certificate_error(code: int, message: str) -> ssl.SSLCertVerificationError:
    """As the TLS library raises it; codes X509_V_ERR_... of openssl-verify(1)."""
    error = ssl.SSLCertVerificationError(1, "certificate verify failed")
    error.verify_code, error.verify_message = code, message
    return error


@pytest.mark.parametrize(
    ("broker", "error", "words"),
    [
        (PLAIN, socket.gaierror(-2, "Name not known"), ["no address for broker.lan", "getent hosts broker.lan"]),
        (PLAIN, ConnectionRefusedError(111, "Connection refused"), ["nothing listens at broker.lan:1883", "mqtt.port"]),
        (PLAIN, TimeoutError("timed out"), ["broker.lan:1883 does not answer"]),
        (PLAIN, OSError(101, "Network is unreachable"), ["broker.lan:1883", "Network is unreachable"]),
        (PLAIN, ConnectionResetError(104, "reset"), ["closes the connection", "mqtt.tls"]),
        (TLS, ConnectionResetError(104, "reset"), ["closes the connection", "speak TLS?"]),
        (PLAIN, UnicodeError("label too long"), ["not a host name", "mqtt.host"]),
        (TLS, certificate_error(62, "Hostname mismatch"), ["another name than broker.lan", "mqtt.host"]),
        (TLS, certificate_error(64, "IP address mismatch"), ["another name than broker.lan", "mqtt.host"]),
        (TLS, certificate_error(10, "certificate has expired"), ["out of date", "has expired", "timedatectl"]),
        (TLS, certificate_error(9, "certificate is not yet valid"), ["out of date", "not yet valid", "timedatectl"]),
        (TLS, certificate_error(20, "no local issuer"), ["not signed by an authority that this system knows"]),
        (TLS, ssl.SSLError(1, "unsupported protocol"), ["no TLS with broker.lan:8883", "1.2"]),
    ],
)  # fmt: skip
def test_what_connecting_meets_is_said_in_words(broker: Broker, error: Exception, words: list[str]) -> None:
    said = trouble.of_connecting(broker, error).text
    for word in words:
        assert word in said
    assert type(error).__name__ not in said
    assert "Errno" not in said


def test_an_own_authority_is_named_by_its_file() -> None:
    own = Broker("broker.lan", 8883, tls=True, ca_file="/etc/dosingd/ca.pem")
    assert "in /etc/dosingd/ca.pem" in trouble.of_connecting(own, certificate_error(19, "self-signed")).text


def test_a_broker_that_is_away_is_tried_more_often_than_one_that_refuses() -> None:
    assert trouble.of_connecting(PLAIN, ConnectionRefusedError()).longest_wait_s == ABSENT_WAIT_S == 10.0
    assert trouble.of_refusal(PLAIN, 135, "Not authorized").longest_wait_s == 60.0


@pytest.mark.parametrize("code", [134, 135])  # as paho gives CONNACK's return codes 4 and 5 of MQTT 3.1.1, 3.2.2.3
def test_a_refused_password_names_the_user_and_the_file(code: int) -> None:
    said = trouble.of_refusal(PLAIN, code, "Not authorized").text
    assert "refuses the user lagoon or the password" in said
    assert "/etc/dosingd/mqtt-password" in said


def test_a_broker_that_wants_a_user_says_so() -> None:
    assert "mqtt.username" in trouble.of_refusal(Broker("broker.lan"), 135, "Not authorized").text


def test_other_refusals_keep_the_brokers_words() -> None:
    assert "Banned" in trouble.of_refusal(PLAIN, 138, "Banned").text
    assert "client id" in trouble.of_refusal(PLAIN, 133, "Client identifier not valid").text
    assert "not available now" in trouble.of_refusal(PLAIN, 136, "Server unavailable").text


@pytest.mark.parametrize(
    ("written", "password"),
    [
        (b"secret", "secret"),
        (b"secret\n", "secret"),
        (b"secret\r\n", "secret"),
        (b"secret\n\n", "secret\n"),
        (b" secret ", " secret "),
        ("schlüssel\n".encode(), "schlüssel"),
    ],
)
def test_a_password_is_its_file_without_one_line_break(tmp_path: Path, written: bytes, password: str) -> None:
    file = tmp_path / "password"
    file.write_bytes(written)
    assert trouble.password_of(Broker("b", password_file=str(file))) == password


@pytest.mark.parametrize(
    ("written", "words"),
    [(None, "No such file"), (b"", "is empty"), (b"\n", "is empty"), (b"\xff", "not UTF-8"), (b"x" * 65_536, "65,535")],
)
def test_a_password_that_cannot_be_read_is_told_by_its_file(tmp_path: Path, written: bytes | None, words: str) -> None:
    file = tmp_path / "password"
    if written is not None:
        file.write_bytes(written)
    said = trouble.password_of(Broker("b", password_file=str(file)))
    assert isinstance(said, Trouble)
    assert str(file) in said.text
    assert words in said.text


def test_a_password_that_systemd_hands_over_goes_before_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "mqtt-password").write_text("handed over\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert trouble.password_of(PLAIN) == "handed over"
    # It was read when the service started, so mending the file alone mends nothing.
    assert trouble.of_refusal(PLAIN, 135, "Not authorized").text.endswith(
        "The password is in /etc/dosingd/mqtt-password. Mend it, then: sudo systemctl restart dosingd."
    )


@pytest.mark.parametrize("handed", [None, b"", b"\n", b"\r\n"])
def test_where_systemd_has_nothing_to_hand_over_the_file_is_read(
    handed: bytes | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    credentials = tmp_path / "credentials"
    credentials.mkdir()
    if handed is not None:
        (credentials / "password").write_bytes(handed)
    (tmp_path / "password").write_text("in the file")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(credentials))
    broker = Broker("b", username="u", password_file=str(tmp_path / "password"))
    assert trouble.password_of(broker) == "in the file"
    assert trouble.of_refusal(broker, 135, "Not authorized").text.endswith("Mend it; it is read again at each try.")


def test_no_password_is_no_trouble() -> None:
    assert trouble.password_of(Broker("b")) is None


def test_tls_checks_the_name_and_takes_1_2_at_least() -> None:
    context = trouble.tls_context(TLS)
    assert isinstance(context, ssl.SSLContext)
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    assert context.check_hostname is True
    assert context.verify_mode is ssl.CERT_REQUIRED


def test_an_authority_that_cannot_be_read_is_told_by_its_file(tmp_path: Path) -> None:
    missing, wrong = tmp_path / "missing.pem", tmp_path / "wrong.pem"
    wrong.write_text("no certificate", encoding="ascii")
    for file in (missing, wrong):
        said = trouble.tls_context(Broker("b", tls=True, ca_file=str(file)))
        assert isinstance(said, Trouble)
        assert str(file) in said.text
        assert "mqtt.tls.ca" in said.text
