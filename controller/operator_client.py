"""The command line's side of the operator socket: one request, one answer.

An answer can get lost: the daemon is stopped and started again just then, or stands still. The same request is then
asked again. An action keeps its id, and the daemon answers an id that it has seen without acting again, so that
what was asked twice is done once.
"""

import json
import socket
import time
import uuid
from collections.abc import Mapping
from pathlib import Path

from controller.progress import progress

ACTION_WITHIN_S = 30.0  # then it is asked again; seven times are longer than three of the longest scans
STATUS_WITHIN_S = 10.0  # waits for no scan
PAUSES_S = (0.5, 1.0, 2.0, 4.0, 6.0, 8.0)  # between one request and the next: long enough for a daemon's restart
SOCKET_NAME = "operator.sock"


class NoDaemon(Exception):
    """The daemon could not be asked; the text says where, and what to look at."""


class _Unanswered(Exception):
    """The request may have arrived, but no answer came; the text says how that ended."""


def socket_path(state_dir: Path) -> Path:
    """Where the daemon of this state directory listens for operators."""
    return state_dir / SOCKET_NAME


def ask(path: Path, request: Mapping[str, object], within_s: float) -> dict[str, object]:
    """Send one request to the daemon at the socket and give back its reply; ask again when none comes `within_s`
    or the connection breaks, seven times in all.

    Raises:
        NoDaemon: nobody listens there, or no proper reply came.
    """
    unanswered: _Unanswered | None = None
    for pause_s in (*PAUSES_S, None):
        try:
            return _ask_once(path, request, within_s)
        except _Unanswered as ending:
            unanswered = ending
        except NoDaemon:
            if unanswered is None:  # nothing was sent so far
                raise
        if pause_s is not None:
            time.sleep(pause_s)
    raise NoDaemon(
        f"the daemon at {path} gave no answer ({unanswered}); look at its log, "
        "and at the status for whether it has done what was asked"
    )


def act(path: Path, vessel: str, verb: str, expects: str, arguments: Mapping[str, str | float | bool]) -> str:
    """Have one action carried out; the daemon's own answer.

    Raises:
        NoDaemon: as `ask`, and where the daemon could not take the request.
    """
    request = {"id": uuid.uuid4().hex, "vessel": vessel, "do": verb, "expects": expects, "arguments": arguments}
    with progress("waiting for the next scan"):
        reply = ask(path, request, ACTION_WITHIN_S)
    if "answer" not in reply:
        raise NoDaemon(str(reply.get("error", reply)))
    return str(reply["answer"])


def status_of(path: Path) -> dict[str, object]:
    """The whole status of the daemon at the socket.

    Raises:
        NoDaemon: as `ask`, and where the reply holds no status.
    """
    with progress("waiting for the daemon"):
        status = ask(path, {"do": "status"}, STATUS_WITHIN_S).get("status")
    if not isinstance(status, dict):
        raise NoDaemon(f"the daemon at {path} gave no status; look at its log")
    return status


def _ask_once(path: Path, request: Mapping[str, object], within_s: float) -> dict[str, object]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        line.settimeout(within_s)
        try:
            line.connect(str(path))
        except (FileNotFoundError, ConnectionRefusedError):
            raise NoDaemon(f"no daemon listens at {path}; is it running, and with this site file?") from None
        except PermissionError:
            raise NoDaemon(f"this user may not open {path}; join the service's group or ask its owner") from None
        except OSError as error:
            raise NoDaemon(f"the daemon at {path} cannot be asked ({error.strerror or error})") from None
        try:
            line.sendall(json.dumps(request).encode() + b"\n")
            with line.makefile("rb") as replies:
                reply = json.loads(replies.readline() or b"null")
        except (OSError, ValueError, RecursionError) as error:
            raise _Unanswered(str(error) or type(error).__name__) from None
    if not isinstance(reply, dict):
        raise _Unanswered("it closed the connection")
    return reply
