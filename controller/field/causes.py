"""Why there is no connection to the broker, in the brewer's words."""

import socket

from paho.mqtt.reasoncodes import ReasonCode

from controller.field.session import CLOSED
from controller.field.tls import explain_handshake
from controller.installation import Broker

# Reason codes: MQTT 5.0, section 2.4
NO_MATCHING_SUBSCRIBERS = 0x10
REFUSED_FROM = 0x80
UNSPECIFIED = 0x80  # also what the library gives when the other side just hangs up
UNSUPPORTED_VERSION = 0x84
BAD_PASSWORD = 0x86
NOT_AUTHORIZED = 0x87
KEEP_ALIVE_TIMEOUT = 0x8D
TAKEN_OVER = 0x8E
REFUSALS = (BAD_PASSWORD, NOT_AUTHORIZED)  # that wait for a person


def reason_code(error: BaseException | None) -> int | None:
    """The broker's own reason code in an error, None where it gave none."""
    rc = getattr(error, "rc", None)
    return int(rc.value) if isinstance(rc, ReasonCode) else None


def explain(error: BaseException, broker: Broker) -> str:
    """The likely cause of a failed or lost connection, in the brewer's words."""
    place = f"{broker.host}:{broker.port}"
    code = reason_code(error)
    origin = error.__cause__ or error.__context__
    if in_tls := explain_handshake(origin, broker.host, place, broker.tls):
        return in_tls
    if code in REFUSALS:
        who = f'the user "{broker.user}"' if broker.user else "a client without a user name"
        return f"the broker {place} refused {who}: check the user, the password and the broker's access list"
    if code == TAKEN_OVER:
        return (
            f"another daemon drives this site through the broker {place}, or another program uses the client id "
            f'"{broker.client_id}": this one no longer drives anything; stop one of the two, then restart this one'
        )
    if code == UNSPECIFIED:
        return (
            f"the connection to the broker {place} was lost: was the broker restarted, the network cut, or does "
            f'another program use the client id "{broker.client_id}" too?'
        )
    if code == KEEP_ALIVE_TIMEOUT:
        return f"the broker {place} has stopped answering: is its machine overloaded, or the network cut?"
    if code == UNSUPPORTED_VERSION:
        return f"the broker {place} does not speak this version of MQTT"
    if isinstance(origin, socket.gaierror):
        return f'no machine of the name "{broker.host}" is known: check the broker\'s host and the name service'
    if isinstance(origin, ConnectionRefusedError):
        return f"nothing answers at {place}: is the broker running, and is this its port?"
    if isinstance(origin, TimeoutError):
        port = ", and is this its TLS port" if broker.tls else ""
        return f"the broker {place} did not answer in time: is its machine on, and reachable from here{port}?"
    if str(error) == CLOSED and broker.tls is not None:
        cure = "does it accept our certificate_file?" if broker.tls.certificate_file else "does it want a client's too?"
        return (
            f"the broker {place} closed the encrypted connection before it answered; its own certificate is in order: "
            f"{cure} Its log tells"
        )
    if str(error) == CLOSED:
        return (
            f"{place} closed the connection before it answered: is this really the broker's plain MQTT port, or does "
            "it want TLS (`tls:` in the site file)?"
        )
    return f"no connection to the broker {place}: {error}"
