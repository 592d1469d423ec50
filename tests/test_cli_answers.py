"""Answers that get lost, readers that leave early, and Ctrl-C."""

import os
import signal
import socket
import subprocess
import sys
import threading
from contextlib import ExitStack
from pathlib import Path

import pytest

from controller import operator_client
from tests.cli_terminal import NO_DAEMON, Reply, Request, Terminal, listening
from tests.runtime.daemons import ROOT

BY_CTRL_C, BY_CLOSED_PIPE = 130, 141  # 128 and the signal's number: POSIX Shell Command Language 2.8.2, signal(7)


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits for a daemon in these tests."""
    monkeypatch.setattr(operator_client, "PAUSES_S", (0.0,) * len(operator_client.PAUSES_S))


class Forgetful:
    """A daemon whose first answers get lost on the way. It acts once on each id, as the core does."""

    def __init__(self, lost: int) -> None:
        self.lost, self.acted = lost, list[str]()

    def reply(self, request: Request) -> Reply:
        """The answer, if it arrives."""
        if request["id"] not in self.acted:
            self.acted.append(request["id"])
        self.lost -= 1
        return None if self.lost >= 0 else {"answer": "gravity 1.012"}


def test_an_answer_that_got_lost_is_asked_for_again_and_the_action_acts_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    daemon = Forgetful(lost=3)
    with listening(tmp_path, daemon.reply) as (path, heard):
        assert Terminal(path, capsys).does("gravity|fv1|1.012") == "gravity 1.012"
    assert len(heard) == 4
    assert len(daemon.acted) == 1


def test_a_daemon_that_restarts_just_then_is_waited_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before, after, heard = ExitStack(), ExitStack(), list[list[Request]]()
    path, first = before.enter_context(listening(tmp_path, lambda request: None))

    def pause(seconds: float) -> None:
        if path.exists():  # it ends after the first question, and takes its socket along
            before.close()
            path.unlink()
        else:
            heard.append(after.enter_context(listening(tmp_path, lambda request: {"answer": "held"}))[1])

    monkeypatch.setattr(operator_client.time, "sleep", pause)
    with after:
        assert Terminal(path, capsys).does("hold|fv1") == "held"
    assert [first] == heard, "the same request with the same id, once to each"


def test_a_daemon_that_never_answers_is_reported_as_not_known_whether_it_acted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with listening(tmp_path, lambda request: None) as (path, heard):
        code, out, err = Terminal(path, capsys).says("hold|fv1")
    assert (code, out) == (NO_DAEMON, "")
    assert "look at its log, and at the status for whether it has done what was asked" in err
    assert len({request["id"] for request in heard}) == 1
    assert len(heard) == 1 + len(operator_client.PAUSES_S)


def test_where_nobody_ever_listened_nothing_is_asked_twice(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(operator_client.time, "sleep", lambda seconds: pytest.fail("it waited"))
    stale = tmp_path / "stale.sock"
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(stale))  # a file that a daemon left behind when its machine lost power
    for path in (stale, tmp_path / "missing.sock"):
        code, out, err = Terminal(path, capsys).says("status")
        assert (code, out) == (NO_DAEMON, "")
        assert f"no daemon listens at {path}" in err


def test_what_the_daemon_itself_cannot_answer_is_passed_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with listening(tmp_path, lambda request: {"error": "the scan stands still; look at the log"}) as (path, _):
        assert Terminal(path, capsys).says("hold|fv1") == (NO_DAEMON, "", "the scan stands still; look at the log")
        assert "gave no status" in Terminal(path, capsys).says("status")[2]


def test_a_reader_that_leaves_early_leaves_no_trace(tmp_path: Path) -> None:
    vessels = {f"fv{number}": {"note": "x" * 1000} for number in range(1000)}  # more than a pipe holds
    with listening(tmp_path, lambda request: {"status": {"vessels": vessels}}) as (path, _):
        asking = _cellarhand("status", "--json", "--socket", str(path))
        assert asking.stdout is not None
        assert asking.stdout.readline() == b"{\n"
        asking.stdout.close()
        assert asking.stderr is not None
        assert (asking.stderr.read(), asking.wait(60)) == (b"", BY_CLOSED_PIPE)
        asking.stderr.close()


def test_ctrl_c_in_the_middle_of_a_question_leaves_no_trace(tmp_path: Path) -> None:
    asked, over = threading.Event(), threading.Event()

    def never(request: Request) -> Reply:
        asked.set()
        over.wait(60)
        return None

    with listening(tmp_path, never) as (path, _):
        asking = _cellarhand("hold", "fv1", "--socket", str(path))
        assert asked.wait(60)
        asking.send_signal(signal.SIGINT)
        out, err = asking.communicate(timeout=60)
        over.set()
    assert (out, err, asking.returncode) == (b"", b"", BY_CTRL_C)


def _cellarhand(*words: str) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [sys.executable, "-m", "controller", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a shell's background job ignores it
    )
