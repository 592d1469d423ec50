"""How the command line reads its words: one parser class for all commands, and the page that `--help` shows first."""

import argparse
import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from textwrap import fill
from typing import Any, NoReturn, TypeAlias

from controller.faults import shown
from controller.nearest import nearest

DONE, REFUSED, FAULTY, NO_DAEMON = 0, 1, 2, 3
INTERRUPTED, PIPE_CLOSED = 130, 141  # 128 and the number of the signal, as shells count
EXIT_CODES: Mapping[int, str] = {
    DONE: "done",
    REFUSED: "refused, or the daemon ended by a fault",
    FAULTY: "a fault in a file or in the command's words",
    NO_DAEMON: "no daemon to ask",
    INTERRUPTED: "interrupted with Ctrl-C",
}
GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (  # in the order in which a newcomer needs them
    ("to begin", ("demo", "check", "run", "status")),
    ("a batch", ("start", "confirm", "gravity", "og", "packaged")),
    ("its profile", ("hold", "resume", "extend", "skip", "back", "stop", "abort")),
    ("by hand", ("setpoint", "mode", "quiet", "identify", "move", "service")),
    ("alarms", ("acknowledge", "inspected")),
    ("the record", ("log", "export", "backup", "restore")),
    ("the terminal", ("completion",)),
)
HELP_COLUMNS = 78
_EXAMPLE = "cellarhand "

Commands: TypeAlias = "argparse._SubParsersAction[Any]"


class Parser(argparse.ArgumentParser):
    """A parser whose faults say what was found and what would be right, and that nothing was changed."""

    def __init__(self, *arguments: Any, **settings: Any) -> None:
        settings = {"formatter_class": argparse.RawDescriptionHelpFormatter, "allow_abbrev": False, **settings}
        settings["description"] = fill(settings.get("description") or "", HELP_COLUMNS)
        super().__init__(*arguments, **settings)

    def error(self, message: str) -> NoReturn:
        """Print the fault with the command's first example, and exit with 2."""
        example = next(_examples_in(self.epilog), "")
        right = f"right would be, for example: {example}\n" if example else ""
        self.exit(FAULTY, f"{self.prog}: {message}; nothing was changed\n{right}`{self.prog} --help` tells more\n")


class MainParser(Parser):
    """The parser of `cellarhand` itself: its help groups the commands."""

    commands: Commands

    def format_help(self) -> str:
        """The commands by what they are for, then examples, then exit codes."""
        texts = {action.dest: action.help or "" for action in self.commands._get_subactions()}
        blank, lines = "", [f"usage: {self.prog} COMMAND ...", "", self.description or ""]
        grouped = [name for _, names in GROUPS for name in names]
        others = ("others", tuple(name for name in texts if name not in grouped))
        for title, names in (*GROUPS, others):
            rows = [f"  {name:<13}{texts[name]}" for name in names if name in texts]
            lines += [blank, f"{title}:", *rows] if rows else []
        codes = [f"  {code:>3}  {meaning}" for code, meaning in EXIT_CODES.items()]
        lines += [blank, f"{self.prog} COMMAND --help shows a command's arguments with examples."]
        lines += [f"{self.prog} --version prints the version."]
        return "\n".join([*lines, blank, "exit codes:", *codes, blank, self.epilog or "", blank])

    def read(self, words: Sequence[str]) -> argparse.Namespace:
        """The words as arguments; exits with 2 on words that cannot be meant, with 0 on --help and --version."""
        if not words:
            self.print_help(sys.stderr)
            self.exit(FAULTY)
        known = self.commands.choices
        if not words[0].startswith("-") and words[0] not in known:
            right = nearest(words[0], known) or f"one of those that `{self.prog} --help` shows"
            found = f"found the command {shown(words[0])}; right would be {right}"
            self.exit(FAULTY, f"{self.prog}: {found}; nothing was changed\n")
        arguments, unknown = self.parse_known_args(words)
        if unknown:
            command = known.get(words[0], self)
            command.error(f"found {' '.join(shown(word.strip()) for word in unknown)}, which it does not know")
        return arguments


def examples(*lines: str) -> str:
    """The end of a command's help."""
    return "\n".join([f"example{'s' if len(lines) > 1 else ''}:", *(f"  {line}" for line in lines)])


def add_daemon_options(parser: argparse.ArgumentParser) -> None:
    """--site and --socket, which say which daemon is asked."""
    site, line = os.environ.get("CELLARHAND_SITE"), os.environ.get("CELLARHAND_SOCKET")
    parser.add_argument("--site", metavar="FILE", default=site, help="the daemon's site file [CELLARHAND_SITE]")
    parser.add_argument("--socket", metavar="PATH", default=line, help="or its operator socket [CELLARHAND_SOCKET]")


def _examples_in(epilog: str | None) -> Iterator[str]:
    lines = (line.strip() for line in (epilog or "").splitlines())
    return (line for line in lines if line.startswith(_EXAMPLE))
