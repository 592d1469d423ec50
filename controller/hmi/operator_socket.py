"""The command line's way in: a Unix socket, one JSON object a line each way.

    {"do": "status"}                                        -> {"status": {...}}
    {"id", "vessel", "do", "expects", "arguments": {...}}   -> {"answer": "..."}

Actions go through the same checked function of the core as those from MQTT; who asked is taken from the
socket's own credentials, not from what the peer says.
"""

import asyncio
import json
import math
import os
import pwd
import socket
import struct
from collections.abc import Callable
from pathlib import Path

from controller.control.values import Action
from controller.hmi.words import Json

LARGEST_LINE_BYTES = 65_536
LONGEST_ID = 64


class OperatorSocket:
    """Serves operators on a Unix socket that only the service's user and group may open.

    `offer` queues an action for the next scan and gives its answer back later; an operator is told when there
    is none within `patience_s`. `status` is asked at once.
    """

    def __init__(
        self,
        path: Path,
        offer: Callable[[Action, Callable[[str], None]], bool],
        status: Callable[[], Json],
        patience_s: float,
    ) -> None:
        self._path, self._offer, self._status, self._patience_s = path, offer, status, patience_s
        self._lines: set[asyncio.StreamWriter] = set()

    async def serve(self) -> None:
        """Serve until cancelled; the socket's file is removed then.

        Raises:
            OSError: another daemon serves this directory, or the socket cannot be made there.
        """
        await self._refuse_if_served()
        self._path.unlink(missing_ok=True)
        before = os.umask(0o117)
        try:
            server = await asyncio.start_unix_server(self._talk, self._path, limit=LARGEST_LINE_BYTES)
        except OSError as fault:
            raise OSError(f"operators cannot be served at {self._path} ({fault.strerror or fault})") from fault
        finally:
            os.umask(before)
        try:
            await asyncio.Event().wait()
        finally:
            server.close()
            for line in self._lines:  # an operator who is still connected holds nothing up
                line.close()
            self._path.unlink(missing_ok=True)

    async def _refuse_if_served(self) -> None:
        try:
            _, writer = await asyncio.open_unix_connection(self._path)
        except OSError:
            return
        writer.close()
        raise OSError(f"another daemon already serves {self._path.parent}; stop it first; nothing was changed")

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._lines.add(writer)
        try:
            while line := await reader.readline():
                reply = await self._reply(line, _who(writer))
                writer.write(json.dumps(reply).encode() + b"\n")
                await writer.drain()
        except ValueError:  # a line over the limit
            writer.write(b'{"error": "a request is one line of JSON, at most 64 KiB"}\n')
        except ConnectionError:
            pass
        finally:
            self._lines.discard(writer)
            writer.close()

    async def _reply(self, line: bytes, who: str) -> Json:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            return {"error": "a request is one line of JSON"}
        if not isinstance(request, dict):
            return {"error": "a request is a JSON object"}
        if request.get("do") == "status":
            return {"status": self._status()}
        action = _action(request, who)
        if action is None:
            return {"error": "an action has the texts id, vessel and do, and arguments that are texts or numbers"}
        answered: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        if not self._offer(action, lambda text: None if answered.done() else answered.set_result(text)):
            return {"answer": "refused: too many actions at once; nothing was changed"}
        try:
            return {"answer": await asyncio.wait_for(answered, self._patience_s)}
        except TimeoutError:
            return {"error": f"no answer within {self._patience_s:.0f} s: the scan stands still; look at the log"}


def _action(request: dict[str, object], who: str) -> Action | None:
    name, vessel, verb = request.get("id"), request.get("vessel"), request.get("do")
    expects, arguments = request.get("expects", ""), request.get("arguments", {})
    if not (isinstance(name, str) and isinstance(vessel, str) and isinstance(verb, str)):
        return None
    if not 0 < len(name) <= LONGEST_ID or not name.isprintable() or max(len(vessel), len(verb)) > LONGEST_ID:
        return None
    if not isinstance(expects, str) or not isinstance(arguments, dict):
        return None
    checked: dict[str, str | float | bool] = {}
    for key, value in arguments.items():
        if not isinstance(value, str | int | float) or (isinstance(value, float) and not math.isfinite(value)):
            return None
        checked[key] = value
    return Action(name, vessel, verb, checked, who, expects)


def _who(writer: asyncio.StreamWriter) -> str:
    """The user at the other end (SO_PEERCRED, unix(7))."""
    peer = writer.get_extra_info("socket").getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, uid, _ = struct.unpack("3i", peer)
    try:
        return f"command line, {pwd.getpwuid(uid).pw_name}"
    except KeyError:
        return f"command line, user {uid}"
