"""The command `cellarhand`: read files, run the daemon, ask it, tell it, or show it all on a made-up cellar.

Exit codes: 0 done; 1 refused, or the daemon ended by a fault; 2 a fault in a file or in the command's words;
3 no daemon to ask.
"""

import argparse
import asyncio
import json
import logging
import os
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from controller import __version__, quantities
from controller.check import run_check
from controller.config import load_installation
from controller.faults import FileFaults, Wrong, shown
from controller.operator_client import NoDaemon, act, ask

REFUSED, FAULTY, NO_DAEMON = 1, 2, 3

Arguments = dict[str, str | float | bool]
# argparse takes "-100%" and "-1C" for options; with a blank before them it does not.
_BELOW_ZERO = re.compile(r"^-(?=[0-9.])")

_Collect = Callable[[argparse.Namespace], Arguments]


def main(argv: Sequence[str] | None = None) -> int:
    """Carry out one command line; the exit code."""
    words = sys.argv[1:] if argv is None else argv
    arguments = _parser().parse_args([_BELOW_ZERO.sub(" -", word) for word in words])
    try:
        return int(arguments.run(arguments))
    except FileFaults as faults:
        print(faults, file=sys.stderr)
        return FAULTY
    except Wrong as wrong:
        print(f"{wrong}; nothing was changed", file=sys.stderr)
        return FAULTY
    except NoDaemon as missing:
        print(missing, file=sys.stderr)
        return NO_DAEMON


def _run(arguments: argparse.Namespace) -> int:
    from controller.historian.faults import HistoryError
    from controller.runtime import Service, stop_on_signals

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s", stream=sys.stderr)
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    installation = load_installation(arguments.site)
    for warning in installation.warnings:
        logging.warning("%s", warning)

    async def run() -> None:
        stop = asyncio.Event()
        stop_on_signals(stop)
        await Service(installation).run(stop)

    try:
        asyncio.run(run())
    except (HistoryError, ValueError, OSError) as error:
        logging.error("cannot run: %s", _in_words(error))
        return REFUSED
    except BaseExceptionGroup as group:
        return _tell_end(group)
    return 0


def _tell_end(group: BaseExceptionGroup[BaseException]) -> int:
    for fault in _leaves(group):
        trace = None if isinstance(fault, OSError) else fault  # only a bug of ours needs one
        logging.error("ended by a fault, everything was commanded off: %s", _in_words(fault), exc_info=trace)
    return REFUSED


def _in_words(error: BaseException) -> str:
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return str(error) or type(error).__name__


def _leaves(group: BaseExceptionGroup[BaseException]) -> list[BaseException]:
    return [
        leaf
        for error in group.exceptions
        for leaf in (_leaves(error) if isinstance(error, BaseExceptionGroup) else [error])
    ]


def _demo(arguments: argparse.Namespace) -> int:
    from controller.demo import run_demo

    try:
        return run_demo(arguments.days, arguments.speed, arguments.chart)
    except BaseExceptionGroup as group:
        return _tell_end(group)


def _status(arguments: argparse.Namespace) -> int:
    from rich.console import Console

    from controller.hmi.table import status_table

    status = ask(_socket(arguments), {"do": "status"}).get("status")
    if not isinstance(status, dict):
        raise NoDaemon("the daemon gave no status; look at its log")
    if arguments.json:
        print(json.dumps(status, indent=2, ensure_ascii=False))
    else:
        Console().print(status_table(status))
    return 0


def _action(arguments: argparse.Namespace) -> int:
    answer = act(_socket(arguments), arguments.vessel, arguments.verb, arguments.expects, arguments.collect(arguments))
    refused = answer.startswith("refused: ")
    print(answer, file=sys.stderr if refused else sys.stdout)
    return REFUSED if refused else 0


def _socket(arguments: argparse.Namespace) -> Path:
    from controller.runtime import socket_path

    if arguments.socket:
        return Path(arguments.socket)
    if not arguments.site:
        raise Wrong("no daemon to ask", "--site FILE or --socket PATH, or CELLARHAND_SITE in the environment")
    return socket_path(load_installation(Path(arguments.site)).state_dir)


def _start(arguments: argparse.Namespace) -> Arguments:
    given: Arguments = {"batch": arguments.batch, "yeast": arguments.yeast}
    if arguments.profile:
        given["profile"] = arguments.profile
    if arguments.setpoint:
        given["setpoint_c"] = quantities.temperature_c(arguments.setpoint, None)
    if arguments.og:
        given["og"] = quantities.gravity(_number_or_text(arguments.og))
    if arguments.volume:
        given["volume_l"] = quantities.volume_l(arguments.volume)
    return given


def _setpoint(arguments: argparse.Namespace) -> Arguments:
    return {"celsius": quantities.temperature_c(arguments.temperature, None)}


def _mode(arguments: argparse.Namespace) -> Arguments:
    given: Arguments = {"mode": arguments.mode}
    if arguments.output:
        given["duty"] = _signed_percent(arguments.output) / 100.0
    if arguments.lasting:
        given["for_s"] = quantities.duration_s(arguments.lasting)
    return given


def _signed_percent(text: str) -> float:
    text = text.strip()
    below = text.startswith("-")
    try:
        size = quantities.percent(text[below:])
    except Wrong:
        raise Wrong(shown(text), 'an output from "-100 %" (full cooling) to "100 %" (full heat)') from None
    return -size if below else size


def _gravity(arguments: argparse.Namespace) -> Arguments:
    return {"gravity": quantities.gravity(_number_or_text(arguments.gravity))}


def _number_or_text(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _alarm(arguments: argparse.Namespace) -> Arguments:
    return {"alarm": arguments.alarm}


def _nothing(arguments: argparse.Namespace) -> Arguments:
    return {}


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="cellarhand", description="Fermentation temperature control.")
    parser.add_argument("--version", action="version", version=f"cellarhand {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    check = commands.add_parser("check", help="read a site file and profiles, print every fault; changes nothing")
    check.add_argument("--site", type=Path, help="the site file")
    check.add_argument("profiles", nargs="*", type=Path, metavar="PROFILE", help="profile files")
    check.set_defaults(run=run_check)

    run = commands.add_parser("run", help="drive a site until SIGTERM or Ctrl-C")
    run.add_argument("--site", type=Path, required=True, help="the site file")
    run.set_defaults(run=_run)

    demo = commands.add_parser("demo", help="a fortnight of three fermentations on a simulated cellar")
    demo.add_argument("--days", type=_positive, default=14.0, help="simulated days (default 14)")
    demo.add_argument("--speed", type=_positive, help="simulated seconds a second (default: as fast as it goes)")
    demo.add_argument("--chart", type=Path, default=Path("cellarhand-demo.html"), help="where the chart is written")
    demo.set_defaults(run=_demo)

    status = commands.add_parser("status", help="what is going on, from the running daemon")
    status.add_argument("--json", action="store_true", help="as JSON")
    _which_daemon(status)
    status.set_defaults(run=_status)
    _action_parsers(commands)
    return parser


def _action_parsers(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    def verb(name: str, text: str, collect: _Collect) -> argparse.ArgumentParser:
        parser = commands.add_parser(name, help=text)
        parser.add_argument("vessel", help="the vessel's name in the site file")
        parser.add_argument("--expects", default="", metavar="STATE", help="refuse unless the batch is in this state")
        _which_daemon(parser)
        parser.set_defaults(run=_action, verb=name, collect=collect)
        return parser

    start = verb("start", "begin a batch, by a profile or at a setpoint", _start)
    start.add_argument("--batch", required=True, help="the batch's name")
    course = start.add_mutually_exclusive_group(required=True)
    course.add_argument("--profile", help="the profile's name")
    course.add_argument("--setpoint", help='regulate at a temperature such as "18 C", without a profile')
    start.add_argument("--og", help='original gravity, such as 1.050 or "12.4 P"')
    start.add_argument("--volume", help='wort in the vessel, such as "23 L"; without it there is no heat')
    start.add_argument("--yeast", default="", help="the yeast, as a note")
    verb("packaged", "end the batch; the vessel is out of service until the next", _nothing)
    verb("setpoint", "regulate at a temperature (a batch that is not running)", _setpoint).add_argument(
        "temperature", help='such as "18 C" or "64 F"'
    )
    mode = verb("mode", "auto, manual for a time, or off", _mode)
    mode.add_argument("mode", choices=("auto", "manual", "off"))
    mode.add_argument("--output", help="manual: from -100%% (full cooling) to 100%% (full heat)")
    mode.add_argument("--for", dest="lasting", help='manual: how long, such as "2 h"; auto follows')
    verb("hold", "stop the profile's clocks, regulate on", _nothing)
    verb("resume", "let a held profile go on", _nothing)
    verb("stop", "leave the profile, regulate at the last setpoint", _nothing)
    verb("abort", "everything off; asks first", lambda arguments: {"sure": arguments.sure}).add_argument(
        "--sure", action="store_true", help="you know what the beer will do"
    )
    verb("confirm", "answer what the running step asks", _nothing)
    verb("gravity", "enter a gravity", _gravity).add_argument("gravity", help='such as 1.012 or "3.1 P"')
    verb("og", "enter or correct the original gravity", _gravity).add_argument("gravity", help="such as 1.050")
    acknowledge = verb("acknowledge", "acknowledge an alarm, or all of a vessel", _alarm)
    acknowledge.add_argument("alarm", nargs="?", default="", help="the alarm's name in the status")


def _which_daemon(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--site", default=os.environ.get("CELLARHAND_SITE"), help="the daemon's site file")
    parser.add_argument("--socket", default=os.environ.get("CELLARHAND_SOCKET"), help="or its operator socket")


def _positive(text: str) -> float:
    number = float(text)
    if not 0.0 < number < 1e9:
        raise argparse.ArgumentTypeError(f"must be above 0, found {text}")
    return number


if __name__ == "__main__":
    sys.exit(main())
