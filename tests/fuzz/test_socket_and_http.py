"""Any bytes on the operator socket, from either end, and on the HTTP port."""

import asyncio
import json
import math
import socket
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.values import Action
from controller.hmi.operator_socket import LARGEST_LINE_BYTES, OperatorSocket
from controller.hmi.shell import Pulse, ShellCounts, View
from controller.hmi.web import application, serve
from controller.operator_client import NoDaemon, ask
from tests.effort import examples
from tests.fuzz.any_json import deep, objects
from tests.hmi.factories import CHICAGO, busy_cellar, site
from tests.servers import free_port

LINES = st.lists(
    objects("id", "vessel", "do", "expects", "arguments").map(lambda raw: raw.replace(b"\n", b" "))
    | st.sampled_from(
        [deep(900).encode(), deep(960).encode(), deep(30_000).encode(), b'{"do": "status"}', b"\xff\xfe"]
    ),
    min_size=1,
    max_size=6,
)


def talked(lines: list[bytes], refuse: bool) -> tuple[list[dict[str, object]], list[Action]]:
    """What the socket answers to these lines, one connection for all, and the actions that were offered."""
    offered: list[Action] = []

    def offer(action: Action, answer: Callable[[str], None]) -> bool:
        offered.append(action)
        answer("done")
        return not refuse

    async def main(folder: str) -> list[dict[str, object]]:
        path = Path(folder) / "operator.sock"
        serving = asyncio.create_task(OperatorSocket(path, offer, lambda: {"vessels": {}}, 1.0).serve())
        while not path.exists():
            await asyncio.sleep(0)
        reader, writer = await asyncio.open_unix_connection(path)
        replies = []
        for line in lines:
            writer.write(line + b"\n")
            replies.append(json.loads(await asyncio.wait_for(reader.readline(), 20.0)))
        writer.close()
        serving.cancel()
        with suppress(asyncio.CancelledError):
            await serving
        return replies

    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(main(folder)), offered


@examples(60)
@given(LINES, st.booleans())
def test_each_line_on_the_operator_socket_has_one_answer(lines: list[bytes], refuse: bool) -> None:
    replies, offered = talked(lines, refuse)
    assert all(len(reply) == 1 and set(reply) <= {"status", "answer", "error"} for reply in replies)
    assert sum("answer" in reply for reply in replies) == len(offered)
    for action in offered:
        assert action.who.startswith("command line, ")
        assert 0 < len(action.id) <= 64
        assert all(not isinstance(value, float) or math.isfinite(value) for value in action.arguments.values())


@pytest.mark.parametrize("line", [b"x" * 2 * LARGEST_LINE_BYTES, b"[" * (LARGEST_LINE_BYTES - 2), b" " * 60_000])
def test_the_longest_lines_are_refused(line: bytes) -> None:
    (reply,), offered = talked([line], False)
    assert "one line of JSON" in str(reply["error"])
    assert not offered


def answering(path: Path, raw: bytes) -> threading.Thread:
    """Something that is no daemon of ours listens at the socket, and says that to seven questions."""
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(path))
    listener.listen()

    def talk() -> None:
        with listener:
            while True:
                line, _ = listener.accept()
                with line, suppress(OSError):
                    if not line.recv(4096):
                        return
                    line.sendall(raw)

    thread = threading.Thread(target=talk, daemon=True)
    thread.start()
    return thread


@examples(40)
@given(raw=objects("answer", "status", "error") | st.sampled_from([b"", b"\n", deep(3000).encode() + b"\n", b"[]\n"]))
def test_whatever_answers_instead_of_the_daemon_is_an_answer_or_no_daemon(raw: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr("controller.operator_client.PAUSES_S", (0.0,))
        path = Path(folder) / "operator.sock"
        thread = answering(path, raw)
        try:
            assert isinstance(ask(path, {"do": "status"}, 5.0), dict)
        except NoDaemon as missing:
            told = str(missing)
        else:
            told = str(path)
        assert str(path) in told
        with socket.socket(socket.AF_UNIX) as last:
            last.connect(str(path))
        thread.join(5.0)
        assert not thread.is_alive()


CELLAR = site()
STATE = busy_cellar(CELLAR)
VIEW = View(lambda: (CELLAR, STATE), lambda: ShellCounts(3, 0, {}, True), lambda: Pulse(4.0, 5.0, True, ""), CHICAGO)
PATHS = st.sampled_from(["/", "/status", "/metrics", "/healthz", "/status/", "//", "/status%00"])
QUERIES = st.text(st.characters(codec="utf-8"), max_size=30)
HEADERS = st.dictionaries(
    st.sampled_from(["Accept", "Accept-Encoding", "Range", "If-None-Match", "Content-Type", "X-Forwarded-For"]),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60)
    | st.sampled_from(["application/openmetrics-text; version=1.0.0; q=" + "9" * 400, ";" * 500, "*/*;q=nan"]),
    max_size=3,
)


@examples(100)
@given(
    method=st.sampled_from(["GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "TRACE", "BREW"]),
    path=PATHS, query=QUERIES, headers=HEADERS, body=st.binary(max_size=200),
)  # fmt: skip
def test_any_request_has_a_status_and_changes_nothing(
    method: str, path: str, query: str, headers: dict[str, str], body: bytes
) -> None:
    async def main() -> httpx.Response:
        transport = httpx.ASGITransport(application(VIEW))  # passes exceptions on
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            return await client.request(method, path, params={"q": query}, headers=headers, content=body)

    response = asyncio.run(main())
    served = path in ("/status", "/metrics", "/healthz")
    if method in ("GET", "HEAD"):
        assert response.status_code == (200 if served else 404)
    else:
        assert response.status_code == (405 if served else 404)


@examples(20)
@given(
    st.lists(
        st.binary(max_size=80)
        | st.sampled_from([b"GET /status HTTP/1.1\r\n", b"GET / HTTP/9.9\r\n\r\n", b"Host: x\r\n", b"\r\n\r\n",
                           b"\x16\x03\x01", b"Content-Length: -1\r\n",
                           b"Transfer-Encoding: chunked\r\n\r\nffffffffffffffff\r\n",
                           b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\n"]),
        max_size=5,
    )
)  # fmt: skip
def test_any_bytes_on_the_http_port_leave_the_server_serving(pieces: list[bytes]) -> None:
    async def main() -> int:
        port = free_port()
        serving = asyncio.create_task(serve(application(VIEW), "127.0.0.1", port))
        await asyncio.sleep(0)
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        with suppress(ConnectionError):
            for piece in pieces:
                writer.write(piece)
                await writer.drain()
            writer.write_eof()
            await asyncio.wait_for(reader.read(), 20.0)
        writer.close()
        async with httpx.AsyncClient() as client:
            status = (await client.get(f"http://127.0.0.1:{port}/healthz")).status_code
        serving.cancel()
        with suppress(asyncio.CancelledError):
            await serving
        return status

    assert asyncio.run(main()) == 200
