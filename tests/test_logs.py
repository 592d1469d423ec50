"""The log: one event, one line, for people, for the journal and for programs.

Priorities are those of syslog(3) as sd-daemon(3) writes them; JOURNAL_STREAM is that of systemd.exec(5); times are RFC
3339; JSON is RFC 8259."""

import io
import json
import logging
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.logs import LIBRARIES, JournalLines, JsonLines, TextLines, set_up_logging, under_journal

LEVELS = {logging.DEBUG: "<7>", logging.INFO: "<6>", logging.WARNING: "<4>", logging.ERROR: "<3>", 50: "<2>"}


@pytest.fixture
def logging_put_back() -> Iterator[None]:
    """After the test, logging is as it was."""
    loggers = [logging.getLogger(name) for name in ("", *LIBRARIES)]
    levels, handlers = [logger.level for logger in loggers], loggers[0].handlers[:]
    loggers[0].handlers[:] = []
    yield
    loggers[0].handlers[:] = handlers
    for logger, level in zip(loggers, levels, strict=True):
        logger.setLevel(level)


def record(message: str, level: int = logging.WARNING, fault: BaseException | None = None) -> logging.LogRecord:
    exc_info = (type(fault), fault, fault.__traceback__) if fault else None
    return logging.LogRecord("controller.runtime", level, "", 0, message, None, exc_info)


def raised(text: str) -> BaseException:
    try:
        raise ValueError(text)
    except ValueError as fault:
        return fault


def test_text_has_local_time_level_and_message() -> None:
    line = TextLines().format(record("ale: the wort is warm, 29.1 °C"))
    when, rest = line[:23], line[24:]
    assert datetime.strptime(when, "%Y-%m-%d %H:%M:%S,%f")  # noqa: DTZ007
    assert rest == "WARNING ale: the wort is warm, 29.1 °C"


@pytest.mark.parametrize(("level", "priority"), LEVELS.items())
def test_the_journal_gets_a_priority_and_no_time(level: int, priority: str) -> None:
    line = JournalLines().format(record("ale: warm", level))
    assert line == f"{priority}{logging.getLevelName(level)} ale: warm"


def test_json_is_one_object_a_line() -> None:
    line = JsonLines().format(record("ale: 29.1 °C\nline two", fault=raised("no such probe")))
    assert "\n" not in line
    said = json.loads(line)
    assert sorted(said) == ["exception", "level", "logger", "message", "time"]
    assert (said["level"], said["logger"]) == ("warning", "controller.runtime")
    assert said["message"] == "ale: 29.1 °C\nline two"
    assert said["exception"].endswith("ValueError: no such probe")
    assert datetime.fromisoformat(said["time"]).utcoffset() is not None
    assert said["time"].endswith("Z")


@given(st.text(max_size=60))
def test_no_message_can_forge_a_line(text: str) -> None:
    hostile = f"{text}\n<0>EMERG forged\r2026-11-03 18:04:10,000 INFO forged\x85\u2028\x1b[2K"
    for formatter in (TextLines(), JournalLines(), JsonLines()):
        line = formatter.format(record(hostile))
        assert line.isprintable()
        assert len(line.splitlines()) == 1
        line.encode()  # no half of a character


@given(st.text(max_size=60))
def test_no_traceback_can_forge_a_line(text: str) -> None:
    fault = raised(f"{text}\n<0>EMERG forged\n2026-11-03 18:04:10,000 INFO forged")
    first, *others = TextLines().format(record("a fault", fault=fault)).split("\n")
    assert first.endswith("WARNING a fault")
    assert all(line.startswith("  ") and line.isprintable() for line in others)
    first, *others = JournalLines().format(record("a fault", fault=fault)).split("\n")
    assert first == "<4>WARNING a fault"
    assert all(line.startswith("<4>  ") and line.isprintable() for line in others)


def test_the_stream_of_the_journal_is_known_by_device_and_inode(tmp_path: Path) -> None:
    with (tmp_path / "journal").open("w") as stream, (tmp_path / "other").open("w") as other:
        there = os.fstat(stream.fileno())
        environment = {"JOURNAL_STREAM": f"{there.st_dev}:{there.st_ino}"}
        assert under_journal(environment, stream)
        assert not under_journal(environment, other)
        assert not under_journal({}, stream)
        assert not under_journal(environment, io.StringIO())


@pytest.mark.usefixtures("logging_put_back")
def test_libraries_are_heard_only_when_something_is_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    set_up_logging("text", logging.DEBUG)
    logging.getLogger("controller.runtime").debug("ours")
    for name in ("uvicorn.access", "aiomqtt", "asyncio", "urllib3.connectionpool"):
        logging.getLogger(name).info("chatter")
    logging.getLogger("aiomqtt").warning("worry")
    assert [line.split(" ", 3)[3] for line in capsys.readouterr().err.splitlines()] == ["ours", "worry"]


@pytest.mark.usefixtures("logging_put_back")
def test_setting_up_twice_does_not_say_everything_twice(capsys: pytest.CaptureFixture[str]) -> None:
    set_up_logging("text", logging.INFO)
    set_up_logging("json", logging.INFO)
    logging.getLogger("controller.runtime").info("once")
    (line,) = capsys.readouterr().err.splitlines()
    assert json.loads(line)["message"] == "once"


@pytest.mark.parametrize("locale", ["C", "C.UTF-8"])
def test_a_poor_locale_does_not_lose_a_line(locale: str, tmp_path: Path) -> None:
    program = (
        "import logging; from controller.logs import set_up_logging; set_up_logging('text', logging.INFO);"
        "logging.info('29.1 \\u00b0C'); logging.info('\\ud800')"
    )
    environment = {**os.environ, "LC_ALL": locale, "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    done = subprocess.run([sys.executable, "-c", program], env=environment, capture_output=True, check=True)
    lines = done.stderr.decode("utf-8", "replace").splitlines()
    assert len(lines) == 2
    assert "29.1" in lines[0]
    assert lines[1].endswith("\\ud800")
