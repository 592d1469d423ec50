"""Whoever is sent to, in tests: a small HTTP server on 127.0.0.1 that keeps what it gets and answers as it is told."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from queue import Queue
from typing import NamedTuple

PATIENCE_S = 10.0  # only a test that fails waits for it


class Got(NamedTuple):
    """One request."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes


class Sink:
    """`got` holds the requests; each is answered with the next of `answers`, then with 200."""

    def __init__(self, port: int, answers: list[int]) -> None:
        self.port, self.answers = port, answers
        self.got: Queue[Got] = Queue()

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}"

    def next(self) -> Got:
        """The next request, when it has come."""
        return self.got.get(timeout=PATIENCE_S)


@contextmanager
def sink(*answers: int) -> Iterator[Sink]:
    """A server for a while."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self._take()

        def do_POST(self) -> None:
            self._take()

        def _take(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            status = here.answers.pop(0) if here.answers else 200
            self.send_response(status)
            if status in (301, 302, 307):
                self.send_header("Location", f"{here.url}/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()
            here.got.put(Got(self.command, self.path, dict(self.headers), body))

        def log_message(self, format: str, *args: object) -> None:
            """Quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    here = Sink(server.server_port, list(answers))
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield here
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextmanager
def hanging_sink() -> Iterator[str]:
    """The address of a server that takes connections and never answers."""
    with socket.create_server(("127.0.0.1", 0), backlog=50) as listening:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"


def closed_port_url() -> str:
    """An address at which nobody listens."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return f"http://127.0.0.1:{listening.getsockname()[1]}"
