"""The command line's side of the operator socket: one request, one answer."""

import json
import socket
import uuid
from collections.abc import Mapping
from pathlib import Path

REPLY_WITHIN_S = 200.0  # longer than the daemon's own patience, three of the longest scans


class NoDaemon(Exception):
    """The daemon could not be asked; the text says where, and what to look at."""


def ask(path: Path, request: Mapping[str, object]) -> dict[str, object]:
    """Send one request to the daemon at the socket and give back its reply.

    Raises:
        NoDaemon: nobody listens there, or no proper reply came within 200 s.
    """
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(REPLY_WITHIN_S)
            line.connect(str(path))
            line.sendall(json.dumps(request).encode() + b"\n")
            with line.makefile("rb") as replies:
                reply = json.loads(replies.readline() or b"null")
    except FileNotFoundError:
        raise NoDaemon(f"no daemon listens at {path}; is it running, and with this site file?") from None
    except PermissionError:
        raise NoDaemon(f"this user may not open {path}; join the service's group or ask its owner") from None
    except (OSError, ValueError) as error:
        raise NoDaemon(f"the daemon at {path} gave no answer ({error})") from None
    if not isinstance(reply, dict):
        raise NoDaemon(f"the daemon at {path} closed the connection; look at its log")
    return reply


def act(path: Path, vessel: str, verb: str, expects: str, arguments: Mapping[str, str | float | bool]) -> str:
    """Have one action carried out; the daemon's own answer.

    Raises:
        NoDaemon: as `ask`, and where the daemon could not take the request.
    """
    request = {"id": uuid.uuid4().hex, "vessel": vessel, "do": verb, "expects": expects, "arguments": arguments}
    reply = ask(path, request)
    if "answer" not in reply:
        raise NoDaemon(str(reply.get("error", reply)))
    return str(reply["answer"])
