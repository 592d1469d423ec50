"""The service's log: standard logging to standard error, as text for people or as JSON for programs.

One event is one line, whatever a message quotes: characters that are not printable are written as escapes, and the
lines of a traceback are indented. Under the journal of systemd the text has no time of its own and begins with the
priority that the journal understands (sd-daemon(3), syslog(3)).
"""

import json
import logging
import os
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TextIO

# Their chatter is not ours; the HTTP libraries would also quote addresses that are secret.
LIBRARIES = ("uvicorn", "aiomqtt", "asyncio", "apprise", "urllib3", "requests", "markdown")
_PRIORITIES = (
    (logging.CRITICAL, "<2>"),
    (logging.ERROR, "<3>"),
    (logging.WARNING, "<4>"),
    (logging.INFO, "<6>"),
    (logging.NOTSET, "<7>"),
)


def set_up_logging(format: str, level: int) -> None:
    """Send everything from `level` on to standard error, in the format "text" or "json", replacing any handler that
    was set up before. Libraries are heard from WARNING on."""
    handler = logging.StreamHandler(sys.stderr)
    if format == "json":
        handler.setFormatter(JsonLines())
    else:
        handler.setFormatter(JournalLines() if under_journal(os.environ, sys.stderr) else TextLines())
    logging.basicConfig(level=level, handlers=[handler], force=True)
    for name in tuple(logging.root.manager.loggerDict):  # some set a level for a part of themselves
        if name.partition(".")[0] in LIBRARIES:
            logging.getLogger(name).setLevel(logging.NOTSET)
    for name in LIBRARIES:
        logging.getLogger(name).setLevel(max(level, logging.WARNING))


def under_journal(environment: Mapping[str, str], stream: TextIO) -> bool:
    """Whether `stream` goes to systemd's journal: JOURNAL_STREAM names its device and inode (systemd.exec(5)), and a
    child whose output goes elsewhere inherits the variable all the same."""
    try:
        there = os.fstat(stream.fileno())
    except (OSError, ValueError, AttributeError):
        return False
    return environment.get("JOURNAL_STREAM") == f"{there.st_dev}:{there.st_ino}"


class TextLines(logging.Formatter):
    """Local time, level, message."""

    def __init__(self) -> None:
        super().__init__("%(asctime)s %(levelname)s %(message)s")

    def format(self, record: logging.LogRecord) -> str:
        """One line, and indented ones for a traceback."""
        message = _one_line(record.getMessage())
        lines = [f"{self.formatTime(record)} {record.levelname} {message}", *_traceback(self, record)]
        return "\n".join(lines)


class JournalLines(logging.Formatter):
    """Priority, level, message; the journal knows the time. Each line of a traceback has the priority too."""

    def format(self, record: logging.LogRecord) -> str:
        """One line, and indented ones for a traceback."""
        priority = next(text for level, text in _PRIORITIES if record.levelno >= level)
        lines = [f"{record.levelname} {_one_line(record.getMessage())}", *_traceback(self, record)]
        return "\n".join(priority + line for line in lines)


class JsonLines(logging.Formatter):
    """A JSON object with time (UTC, RFC 3339), level, logger, message, and exception where there is one."""

    def format(self, record: logging.LogRecord) -> str:
        """One line of ASCII."""
        when = datetime.fromtimestamp(record.created, UTC)
        said = {
            "time": when.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            said["exception"] = self.formatException(record.exc_info)
        return json.dumps(said)


def _one_line(text: str) -> str:
    if text.isprintable():
        return text
    return "".join(each if each.isprintable() else each.encode("unicode_escape").decode() for each in text)


def _traceback(formatter: logging.Formatter, record: logging.LogRecord) -> list[str]:
    parts = [formatter.formatException(record.exc_info)] if record.exc_info else []
    parts += [formatter.formatStack(record.stack_info)] if record.stack_info else []
    return [f"  {_one_line(line)}" for part in parts for line in part.splitlines()]
