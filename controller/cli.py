"""The command `cellarhand`: read files, run the daemon, ask it, tell it, or show it all on a made-up cellar.

Exit codes: 0 done; 1 refused, or the daemon ended by a fault; 2 a fault in a file or in the command's words;
3 no daemon to ask; 130 interrupted with Ctrl-C.
"""

import argparse
import gc
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path

from controller import __version__
from controller.cli_actions import add_action_commands
from controller.cli_completion import add_completion_commands
from controller.cli_parser import (
    FAULTY,
    INTERRUPTED,
    NO_DAEMON,
    PIPE_CLOSED,
    Commands,
    MainParser,
    Parser,
    add_daemon_options,
    examples,
)
from controller.faults import FileFaults, Wrong
from controller.operator_client import NoDaemon

# argparse takes "-100%" and "-1C" for options; with a blank before them it does not.
_BELOW_ZERO = re.compile(r"^-(?=[0-9.])")


def main(argv: Sequence[str] | None = None) -> int:
    """Carry out one command line; the exit code."""
    words = sys.argv[1:] if argv is None else argv
    try:
        arguments = parser_for(words).read([_BELOW_ZERO.sub(" -", word) for word in words])
        code = int(arguments.run(arguments))
        sys.stdout.flush()
        return code
    except FileFaults as faults:
        print(faults, file=sys.stderr)
        return FAULTY
    except Wrong as wrong:
        print(f"{wrong}; nothing was changed", file=sys.stderr)
        return FAULTY
    except NoDaemon as missing:
        print(missing, file=sys.stderr)
        return NO_DAEMON
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:  # whoever read our output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or Python complains at the very end
        return PIPE_CLOSED


def parser_for(words: Sequence[str]) -> MainParser:
    """The parser of these words. Commands that read the store are loaded only where the others do not know the word,
    or all are wanted: `run` shall start soon."""
    parser = _parser()
    if not words or words[0] == "completion" or words[0] not in parser.commands.choices:
        from controller.cli_history import add_history_commands

        add_history_commands(parser.commands)
    return parser


def _check(arguments: argparse.Namespace) -> int:
    from controller.check import run_check

    return run_check(arguments)


def _run(arguments: argparse.Namespace) -> int:
    gc.disable()  # what is loaded stays: to look through it while it grows is a tenth of the time to the first "off"
    from controller.cli_run import run_daemon

    gc.freeze()
    gc.enable()
    return run_daemon(arguments.site, arguments.verbose)


def _demo(arguments: argparse.Namespace) -> int:
    from controller.cli_run import tell_end
    from controller.demo import run_demo

    try:
        return run_demo(arguments.days, arguments.speed, arguments.chart)
    except BaseExceptionGroup as group:
        return tell_end(group)


def _status(arguments: argparse.Namespace) -> int:
    from controller.cli_status import run_status

    return run_status(arguments)


def _parser() -> MainParser:
    parser = MainParser(
        prog="cellarhand",
        description="Fermentation temperature control: several vessels on one glycol chiller.",
        epilog=examples(
            "cellarhand demo",
            "cellarhand check --site site.yaml",
            "cellarhand run --site site.yaml",
            "cellarhand status --site site.yaml",
        ),
    )
    parser.add_argument("--version", action="version", version=f"cellarhand {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND", parser_class=Parser)
    parser.commands = commands
    _add_daemon_commands(commands)
    add_action_commands(commands)
    add_completion_commands(commands, parser)
    return parser


def _add_daemon_commands(commands: Commands) -> None:
    site = os.environ.get("CELLARHAND_SITE")
    demo = commands.add_parser(
        "demo",
        help="a fortnight of three fermentations on a simulated cellar",
        description="A fortnight of three fermentations on a simulated cellar, over a broker of its own.",
        epilog=examples("cellarhand demo", "cellarhand demo --days 3 --speed 600 --chart /tmp/chart.html"),
    )
    demo.add_argument("--days", type=_positive, default=14.0, help="simulated days (default 14)")
    demo.add_argument("--speed", type=_positive, help="simulated seconds a second (default: as fast as it goes)")
    demo.add_argument(
        "--chart", metavar="FILE", type=Path, default=Path("cellarhand-demo.html"), help="where the chart is written"
    )
    demo.set_defaults(run=_demo)

    check = commands.add_parser(
        "check",
        help="read a site file and profiles, print every fault; changes nothing",
        description="Read everything that a run would read, print every fault and warning, change nothing. Without "
        "any file: the site of CELLARHAND_SITE, or else the example that comes with cellarhand.",
        epilog=examples("cellarhand check --site site.yaml", "cellarhand check my-profiles/clean-ale.yaml"),
    )
    check.add_argument("--site", metavar="FILE", type=Path, help="the site file")
    check.add_argument("profiles", nargs="*", type=Path, metavar="PROFILE", help="profile files")
    check.set_defaults(run=_check)

    run = commands.add_parser(
        "run",
        help="drive a site until SIGTERM or Ctrl-C",
        description="Drive a site until SIGTERM or Ctrl-C; then everything is commanded off.",
        epilog=examples("cellarhand run --site site.yaml"),
    )
    run.add_argument(
        "--site", metavar="FILE", type=Path, default=site, required=not site, help="the site file [CELLARHAND_SITE]"
    )
    run.add_argument("--verbose", action="store_true", help="log what only a search for a fault needs")
    run.set_defaults(run=_run)

    status = commands.add_parser(
        "status",
        help="what is going on, from the running daemon",
        description="What is going on: all vessels as a table, or one of them in detail.",
        epilog=examples("cellarhand status", "cellarhand status fv1", "cellarhand status --json"),
    )
    status.add_argument("vessel", metavar="VESSEL", nargs="?", help="one vessel in detail")
    status.add_argument("--json", action="store_true", help="as JSON")
    add_daemon_options(status)
    status.set_defaults(run=_status)


def _positive(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0.0 < number < 1e9:
        raise argparse.ArgumentTypeError(f"must be a number above 0, found {text}")
    return number


if __name__ == "__main__":
    sys.exit(main())
