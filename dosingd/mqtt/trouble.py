"""Why there is no connection to the broker, in words with the next step. No password and no class name gets in here."""

from __future__ import annotations

import os
import socket
import ssl
from contextlib import suppress
from pathlib import Path

from attrs import frozen

from dosingd.plan.model import Broker
from dosingd.words import plain

#: The longest wait between tries where somebody must mend something first.
REFUSED_WAIT_S = 60.0
#: And where the broker is only away: a try costs a millisecond, and its keeper wants to see the rig when it is back.
ABSENT_WAIT_S = 10.0

# X509_V_ERR_…, openssl-verify(1), "Diagnostics".
_NOT_YET_VALID = 9
_EXPIRED = 10
_OTHER_NAME = {62, 64}  # host name mismatch, IP address mismatch

# Return codes of CONNACK in MQTT 3.1.1 (section 3.2.2.3) as paho gives them: by the reason codes of MQTT 5.
_CLIENT_ID_REFUSED = 133
_UNAVAILABLE = 136
_VERSION_UNKNOWN = 132
_PASSWORD_REFUSED = {134, 135}  # bad user name or password, not authorized


@frozen
class Trouble:
    """Why there is no connection, and how long to wait at most before the next try."""

    text: str
    longest_wait_s: float = REFUSED_WAIT_S
    of_tls: bool = False
    #: The broker may be one that knows an older version of MQTT alone.
    of_version: bool = False


def place(broker: Broker) -> str:
    """The broker as it is told of, `broker.lan:8883`."""
    return f"{broker.host}:{broker.port}"


def password_of(broker: Broker) -> str | Trouble | None:
    """The password as it stands in its file now, without one line break at its end; None where the plan names none.

    What systemd has handed over under the file's own name goes before the file, which only root may read then.
    """
    if broker.password_file is None:
        return None
    name, step = broker.password_file, _step(broker)
    try:
        with open(_handed_over(name) or name, "rb") as file:
            written = file.read(65_537)
    except OSError as error:
        return Trouble(f"the password file {name} cannot be read: {_words(error)}. {step}.")
    written = written.removesuffix(b"\n").removesuffix(b"\r")
    if not written:
        return Trouble(f"the password file {name} is empty. {step}.")
    if len(written) > 65_535:  # MQTT 3.1.1, section 1.5.3: two bytes of length
        return Trouble(f"the password file {name} holds more than 65,535 bytes. {step}.")
    try:
        return written.decode("utf-8")
    except UnicodeDecodeError:
        return Trouble(f"the password file {name} is not UTF-8 text. {step}.")


def _handed_over(name: str) -> Path | None:
    """The credential of a file's own name (systemd.exec(5), LoadCredential=); None where it is empty or there is none,
    as where the file was not there when the service started."""
    directory = os.environ.get("CREDENTIALS_DIRECTORY")
    if directory:
        handed = Path(directory) / Path(name).name
        with suppress(OSError):
            return handed if handed.read_bytes().strip(b"\r\n") else None
    return None


def _step(broker: Broker) -> str:
    if broker.password_file is not None and _handed_over(broker.password_file):
        return "Mend it, then: sudo systemctl restart dosingd"
    return "Mend it; it is read again at each try"


def tls_context(broker: Broker) -> ssl.SSLContext | Trouble:
    """TLS 1.2 at least, the host name checked, by the system's certificate authorities or the plan's own."""
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
    except ssl.SSLError:
        return Trouble(f"{broker.ca_file} holds no certificate. Mend mqtt.tls.ca in the plan, or the file.")
    except OSError as error:
        return Trouble(
            f"the certificate file {broker.ca_file} cannot be read: {_words(error)}. Mend it, or mqtt.tls.ca."
        )
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.sslsocket_class = _ClosedOnFailure
    return context


class _ClosedOnFailure(ssl.SSLSocket):
    """paho drops a socket whose greeting failed without closing it."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def of_connecting(broker: Broker, error: Exception) -> Trouble:
    """Why no connection was made, from what connecting raised."""
    at = place(broker)
    match error:
        case ssl.SSLCertVerificationError():
            return _of_certificate(broker, error.verify_code, error.verify_message)
        case ssl.SSLEOFError():
            return closed_unanswered(broker)
        case ssl.SSLError():
            if getattr(error, "reason", None) == "WRONG_VERSION_NUMBER":
                text = f"{at} does not speak TLS. Mend mqtt.port, or take mqtt.tls out of the plan."
            else:
                text = f"no TLS with {at}: {_words(error)}. Version 1.2 is the least; see the broker's log."
            return Trouble(text, of_tls=True)
        case socket.gaierror():
            text = f"no address for {broker.host} ({_words(error)}). To see: getent hosts {broker.host}"
        case UnicodeError():
            text = f"{broker.host} is not a host name. Mend mqtt.host in the plan."
            return Trouble(text)
        case ConnectionRefusedError():
            text = f"nothing listens at {at}. Start the broker, or mend mqtt.host and mqtt.port in the plan."
        case TimeoutError():
            text = f"{at} does not answer. Is the broker's machine on, and in this network?"
        case ConnectionResetError() | BrokenPipeError() | ConnectionAbortedError():
            return closed_unanswered(broker)
        case _:
            text = f"{at} cannot be reached: {_words(error)}."
    return Trouble(text, ABSENT_WAIT_S)


def _of_certificate(broker: Broker, code: int, message: str) -> Trouble:
    at = place(broker)
    if code in _OTHER_NAME:
        text = (
            f"the certificate of {at} is for another name than {broker.host}."
            " Write the name in it as mqtt.host, or give the broker one for this name."
        )
    elif code in {_NOT_YET_VALID, _EXPIRED}:
        text = f"the certificate of {at} is out of date by this machine's clock: {message}. See: timedatectl"
    else:
        known = "this system knows" if broker.ca_file is None else f"is in {broker.ca_file}"
        text = f"the certificate of {at} is not signed by an authority that {known}: {message}. Mend mqtt.tls.ca."
    return Trouble(text, of_tls=True)


def of_refusal(broker: Broker, code: int, words: str) -> Trouble:
    """Why the broker refused, from its answer's reason code."""
    at = place(broker)
    if code in _PASSWORD_REFUSED and broker.username is not None:
        where = f"The password is in {broker.password_file}."
        return Trouble(f"{at} refuses the user {broker.username} or the password. {where} {_step(broker)}.")
    if code in _PASSWORD_REFUSED:
        return Trouble(f"{at} wants a user. Write mqtt.username and mqtt.password_file into the plan.")
    if code == _CLIENT_ID_REFUSED:
        return Trouble(f"{at} refuses the client id. See the broker's log, or change rig in the plan.")
    if code == _UNAVAILABLE:
        return Trouble(f"{at} says that it is not available now.", ABSENT_WAIT_S)
    text = f"{at} refuses the connection: {words}. See the broker's log."
    return Trouble(text, of_version=code == _VERSION_UNKNOWN)


def unanswered(broker: Broker, after_s: float) -> Trouble:
    """It took the connection and said nothing."""
    text = f"{place(broker)} takes the connection and does not answer within {plain(after_s)} s. See the broker's log."
    return Trouble(text, ABSENT_WAIT_S)


def closed_unanswered(broker: Broker) -> Trouble:
    """It took the connection and closed it."""
    hint = "Does this port speak TLS?" if broker.tls else "Does this port want TLS? Then write mqtt.tls into the plan."
    text = f"{place(broker)} closes the connection before it answers. {hint}"
    return Trouble(text, ABSENT_WAIT_S, of_version=True)


def not_understood(broker: Broker) -> Trouble:
    """It said what nobody can read."""
    text = f"{place(broker)} says what is no MQTT. Is it the broker's port? Mend mqtt.port, or see the broker's log."
    return Trouble(text, of_version=True)


def silent(broker: Broker, keepalive_s: float) -> Trouble:
    """An established connection from which nothing comes any more."""
    return Trouble(f"the connection to {place(broker)} is lost: no answer for {plain(keepalive_s)} s.", ABSENT_WAIT_S)


def closed(broker: Broker, client_id: str, *, soon: bool, why: str | None = None) -> Trouble:
    """An established connection that was ended from the other side, and what was said then, if anything."""
    hint = (
        f" If this goes on, another rig is {client_id} as well: rename one in its plan. Or a limit of the broker's own"
        " is met: see its log."
        if soon
        else ""
    )
    said = "" if why is None else f" ({why.lower()})"
    return Trouble(f"the connection to {place(broker)} is lost: it was closed from there{said}.{hint}", ABSENT_WAIT_S)


def of_fault(error: Exception) -> Trouble:
    """A fault of our own, or of the library."""
    return Trouble(f"a fault of the link itself: {_words(error)}. It starts over; please report it.")


def _words(error: Exception) -> str:
    """What an error says, without the number and the class."""
    said = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return said or type(error).__name__
