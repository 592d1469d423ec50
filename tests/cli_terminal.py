"""A brewer's terminal, and stand-ins for the daemon at the other end of its operator socket."""

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main

DONE, REFUSED, FAULTY, NO_DAEMON = 0, 1, 2, 3  # as the README says

Request = dict[str, Any]
Reply = dict[str, Any] | None


class Terminal:
    """A brewer's terminal in front of one daemon: that of a site file, or the one at a socket."""

    def __init__(self, where: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self._where = ["--socket" if where.suffix == ".sock" else "--site", str(where)]
        self._capsys = capsys

    def says(self, line: str) -> tuple[int, str, str]:
        """Exit code, output and errors of one command; arguments are separated by bars, since some hold blanks."""
        try:
            code = main([*line.split("|"), *self._where])
        except SystemExit as refusal:
            code = int(refusal.code or 0)
        captured = self._capsys.readouterr()
        return code, captured.out.strip(), captured.err.strip()

    def does(self, line: str) -> str:
        """The answer to a command that is carried out."""
        code, out, err = self.says(line)
        assert (code, err) == (DONE, ""), (line, out, err)
        return out

    def is_refused(self, line: str) -> str:
        """The reason for which a command is refused."""
        code, out, err = self.says(line)
        assert (code, out) == (REFUSED, ""), (line, out, err)
        assert err.startswith("refused: "), err
        assert err.endswith("nothing was changed"), err
        return err


@contextmanager
def listening(folder: Path, reply: Callable[[Request], Reply]) -> Iterator[tuple[Path, list[Request]]]:
    """Something that listens where a daemon would: its socket, and the requests that it has received so far.

    `reply` gives the answer to each request, or None to hang up without one.
    """
    path, heard = folder / "operator.sock", list[Request]()
    with socket.socket(socket.AF_UNIX) as door:
        door.bind(str(path))
        door.listen()

        def serve() -> None:
            while True:
                try:
                    line, _ = door.accept()
                except OSError:  # closed: the test is over
                    return
                with line, line.makefile("rwb") as talk:
                    text = talk.readline()
                    if not text:
                        return
                    heard.append(json.loads(text))
                    answer = reply(heard[-1])
                    if answer is not None:
                        talk.write(json.dumps(answer).encode() + b"\n")

        server = threading.Thread(target=serve, daemon=True)
        server.start()
        try:
            yield path, heard
        finally:
            with socket.socket(socket.AF_UNIX) as last:  # wakes `accept`
                last.connect(str(path))
            server.join(10)
