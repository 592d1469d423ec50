"""What an operator can tell the daemon from a terminal: the actions, and how their words become arguments.

Words are only read here, into the core's units. Whether the action makes sense now is the core's to say.
"""

import argparse
import sys
from collections.abc import Callable, Mapping
from typing import NamedTuple

from controller import quantities
from controller.cli_identify import identify_arguments, identify_words, show_identification
from controller.cli_parser import DONE, REFUSED, Commands, add_daemon_options, examples
from controller.cli_site import socket_of
from controller.faults import Wrong, shown
from controller.operator_client import act

Arguments = dict[str, str | float | bool]
_Collect = Callable[[argparse.Namespace], Arguments]
_AddWords = Callable[[argparse.ArgumentParser], None]
EXPECTS_HELP = "refuse unless the batch is in this state, or state and step, such as running or running/primary"


class Verb(NamedTuple):
    """An action as the command line knows it: a line of help, how its words become arguments, examples, what adds
    its own words to the parser, the rest of its help, and what shows something instead of asking for the action (its
    exit code, None where it does not)."""

    text: str
    collect: _Collect
    examples: tuple[str, ...]
    words: _AddWords = lambda parser: None
    more: str = ""
    shows: Callable[[argparse.Namespace], int | None] = lambda arguments: None


def add_action_commands(commands: Commands) -> None:
    """A sub-parser for every action; each sets `run`."""
    for name, verb in VERBS.items():
        description = f"{verb.text[0].upper()}{verb.text[1:]}. {verb.more}".strip()
        parser = commands.add_parser(name, help=verb.text, description=description, epilog=examples(*verb.examples))
        parser.add_argument("vessel", metavar="VESSEL", help="the vessel's name in the site file")
        verb.words(parser)
        parser.add_argument("--expects", default="", metavar="STATE", help=EXPECTS_HELP)
        add_daemon_options(parser)
        parser.set_defaults(run=run_action, verb=name, collect=verb.collect)


def run_action(arguments: argparse.Namespace) -> int:
    """Have the action carried out and print the daemon's answer, or show what was asked for. Returns 0, or 1 if it was
    refused."""
    shown_code = VERBS[arguments.verb].shows(arguments)
    if shown_code is not None:
        return shown_code
    given = arguments.collect(arguments)
    answer = act(socket_of(arguments), arguments.vessel, arguments.verb, arguments.expects, given)
    for word in ("sure", "force"):
        answer = answer.replace(f"with {word}=true", f"with --{word}")  # the core speaks to MQTT too
    refused = answer.startswith("refused: ")
    print(answer, file=sys.stderr if refused else sys.stdout)
    return REFUSED if refused else DONE


def _start_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--batch", required=True, metavar="NAME", help="the batch's name")
    course = parser.add_mutually_exclusive_group(required=True)
    course.add_argument("--profile", metavar="NAME", help="the profile's name")
    course.add_argument("--setpoint", metavar="T", help='regulate at a temperature such as "18 C", without a profile')
    parser.add_argument("--step", metavar="NAME", help="begin with this step of the profile instead of its first")
    parser.add_argument("--og", metavar="GRAVITY", help='original gravity, such as 1.050 or "12.4 P"')
    parser.add_argument("--gravity", metavar="GRAVITY", help="the gravity now, of a beer that already ferments")
    parser.add_argument("--volume", metavar="V", help='wort in the vessel, such as "23 L"; without it there is no heat')
    parser.add_argument("--yeast", default="", metavar="TEXT", help="the yeast, as a note")


def _gravity_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("gravity", metavar="GRAVITY", help='such as 1.012 or "3.1 P"')


def _setpoint_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("temperature", metavar="T", help='such as "18 C" or "64 F"')


def _mode_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("mode", choices=("auto", "manual", "off"), help="who moves the outputs")
    parser.add_argument("--output", metavar="P", help="manual: from -100%% (full cooling) to 100%% (full heat)")
    parser.add_argument("--for", dest="lasting", metavar="TIME", help='manual: how long, such as "2 h"')


def _extend_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("lasting", metavar="TIME", help='how much longer, such as "12 h"')


def _skip_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--to", metavar="STEP", help="the step's name (without it: the next)")
    parser.add_argument("--sure", action="store_true", help="you know what is left out")


def _back_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--to", metavar="STEP", help="the step's name (without it: the one before)")


def _abort_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--sure", action="store_true", help="you know what the beer will do")


def _quiet_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--for", dest="lasting", metavar="TIME", help='how long, such as "6 h"')
    parser.add_argument(
        "--drift", metavar="DIFFERENCE", help='how far the wort may drift, such as "0.5 K" (default 1 K)'
    )
    parser.add_argument("--end", action="store_true", help="end the rest now")


def _move_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--to", dest="to_vessel", required=True, metavar="VESSEL", help="the empty vessel that takes it"
    )


def _service_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("in_or_out", choices=("in", "out"), help="in service, or out of service")


def _acknowledge_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("alarm", metavar="ALARM", nargs="?", default="", help="the alarm's name in the status")


def _inspected_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("part", metavar="PART", help="cooler, heater, or the name of a probe")


def _part(arguments: argparse.Namespace) -> Arguments:
    return {"part": arguments.part}


def _start(arguments: argparse.Namespace) -> Arguments:
    if arguments.step and not arguments.profile:
        raise Wrong("--step without --profile", "both, or neither: only a profile has steps")
    given: Arguments = {"batch": arguments.batch, "yeast": arguments.yeast}
    if arguments.profile:
        given["profile"] = arguments.profile
    if arguments.step:
        given["step"] = arguments.step
    if arguments.setpoint:
        given["setpoint_c"] = _temperature_c(arguments.setpoint)
    if arguments.og:
        given["og"] = quantities.gravity(arguments.og)
    if arguments.gravity:
        given["gravity"] = quantities.gravity(arguments.gravity)
    if arguments.volume:
        given["volume_l"] = quantities.volume_l(arguments.volume)
    return given


def _setpoint(arguments: argparse.Namespace) -> Arguments:
    return {"celsius": _temperature_c(arguments.temperature)}


def _temperature_c(text: str) -> float:
    try:
        return quantities.temperature_c(text, None)
    except Wrong as wrong:  # which speaks of files
        raise Wrong(wrong.found, f"{quantities.TEMPERATURE}, with its unit") from None


def _mode(arguments: argparse.Namespace) -> Arguments:
    options = {"--output": arguments.output, "--for": arguments.lasting}
    if arguments.mode != "manual":
        for option, value in options.items():
            if value is not None:
                raise Wrong(f"{option} with mode {arguments.mode}", f"{option} only with mode manual")
        return {"mode": arguments.mode}
    _need(options, 'mode manual needs both, such as --output -50% --for "2 h"')
    duty = _signed_percent(arguments.output) / 100.0
    return {"mode": "manual", "duty": duty, "for_s": quantities.duration_s(arguments.lasting)}


def _quiet(arguments: argparse.Namespace) -> Arguments:
    options = {"--for": arguments.lasting, "--drift": arguments.drift}
    if arguments.end:
        for option, value in options.items():
            if value is not None:
                raise Wrong(f"{option} with --end", "--for, with --drift or without; or --end alone")
        return {"for_s": 0.0}
    _need({"--for": arguments.lasting}, 'a length such as --for "6 h", or --end')
    given: Arguments = {"for_s": quantities.duration_s(arguments.lasting)}
    if arguments.drift is not None:
        given["drift_k"] = quantities.difference_k(arguments.drift)
    return given


def _need(options: dict[str, str | None], right: str) -> None:
    for option, value in options.items():
        if value is None:
            raise Wrong(f"no {option}", right)


def _signed_percent(text: str) -> float:
    text = text.strip()
    below = text.startswith("-")
    try:
        size = quantities.percent(text[below:])
    except Wrong:
        raise Wrong(shown(text), 'an output from "-100 %" (full cooling) to "100 %" (full heat)') from None
    return -size if below else size


def _extend(arguments: argparse.Namespace) -> Arguments:
    return {"for_s": quantities.duration_s(arguments.lasting)}


def _skip(arguments: argparse.Namespace) -> Arguments:
    return {**({"to": arguments.to} if arguments.to else {}), "sure": arguments.sure}


def _back(arguments: argparse.Namespace) -> Arguments:
    return {"to": arguments.to} if arguments.to else {}


def _move(arguments: argparse.Namespace) -> Arguments:
    return {"to": arguments.to_vessel}


def _service(arguments: argparse.Namespace) -> Arguments:
    return {"in_service": arguments.in_or_out == "in"}


def _gravity(arguments: argparse.Namespace) -> Arguments:
    return {"gravity": quantities.gravity(arguments.gravity)}


def _alarm(arguments: argparse.Namespace) -> Arguments:
    return {"alarm": arguments.alarm}


def _nothing(arguments: argparse.Namespace) -> Arguments:
    return {}


VERBS: Mapping[str, Verb] = {
    "start": Verb(
        "begin a batch, by a profile or at a setpoint",
        _start,
        (
            'cellarhand start fv1 --batch "Pale 12" --profile clean-ale --og 1.052 --volume "20 L"',
            'cellarhand start fv1 --batch "Pale 12" --profile clean-ale --step primary --gravity 1.030',
        ),
        _start_words,
        "Without --volume there is no heat: nobody heats an empty vessel.",
    ),
    "confirm": Verb("answer what the running step asks", _nothing, ("cellarhand confirm fv1",)),
    "gravity": Verb(
        "enter a gravity", _gravity, ("cellarhand gravity fv1 1.012", 'cellarhand gravity fv1 "3.1 P"'), _gravity_words
    ),
    "og": Verb("enter or correct the original gravity", _gravity, ("cellarhand og fv1 1.052",), _gravity_words),
    "packaged": Verb(
        "end the batch; the vessel is out of service until the next", _nothing, ("cellarhand packaged fv1",)
    ),
    "hold": Verb(
        "stop the profile's clocks, regulate on",
        _nothing,
        ("cellarhand hold fv1", "cellarhand hold fv1 --expects running"),
        more="`resume` lets the profile go on.",
    ),
    "resume": Verb("let a held profile go on where it was", _nothing, ("cellarhand resume fv1",)),
    "extend": Verb(
        "let the running step last longer",
        _extend,
        ('cellarhand extend fv1 "12 h"',),
        _extend_words,
        "Only this batch's own copy of the profile changes.",
    ),
    "skip": Verb(
        "leave the running step and go on with a later one",
        _skip,
        ("cellarhand skip fv1 --expects running/contact", "cellarhand skip fv1 --to crash --sure"),
        _skip_words,
        "Asks first where a question of the profile would be left out.",
    ),
    "back": Verb(
        "go back to an earlier step",
        _back,
        ("cellarhand back fv1", 'cellarhand back fv1 --to "diacetyl rest"'),
        _back_words,
    ),
    "stop": Verb("leave the profile, regulate at the last setpoint", _nothing, ("cellarhand stop fv1",)),
    "abort": Verb(
        "everything off; asks first",
        lambda arguments: {"sure": arguments.sure},
        ("cellarhand abort fv1", "cellarhand abort fv1 --sure"),
        _abort_words,
        "Without --sure it tells what the beer will do, and changes nothing.",
    ),
    "setpoint": Verb(
        "regulate at a temperature (a batch that is not running)",
        _setpoint,
        ('cellarhand setpoint fv1 "18 C"', 'cellarhand setpoint fv1 "64 F"'),
        _setpoint_words,
        "A running profile sets the setpoint itself: hold or stop it first.",
    ),
    "mode": Verb(
        "auto, manual for a time, or off",
        _mode,
        ('cellarhand mode fv1 manual --output -100% --for "5 min"', "cellarhand mode fv1 auto"),
        _mode_words,
        "Manual always ends: auto follows. With off nobody regulates the vessel.",
    ),
    "quiet": Verb(
        "let the outputs rest for some hours",
        _quiet,
        ('cellarhand quiet fv1 --for "6 h" --drift "0.5 K"', "cellarhand quiet fv1 --end"),
        _quiet_words,
        "They act all the same if the wort drifts further from its setpoint than --drift.",
    ),
    "identify": Verb(
        "find the loop's settings by a test on the real vessel",
        identify_arguments,
        ("cellarhand identify fv1 step", "cellarhand identify fv1 stop", "cellarhand identify fv1 > loop.yaml"),
        identify_words,
        "A step test takes one to three hours, a relay test four to eight. Without one it prints what was found, for "
        "the site file; nothing is ever written into that.",
        show_identification,
    ),
    "move": Verb(
        "the beer is in another vessel now: its batch goes there",
        _move,
        ("cellarhand move fv1 --to fv2",),
        _move_words,
        "The vessel that it leaves is out of service until its next batch.",
    ),
    "service": Verb(
        "take a vessel out of service, or put it back in",
        _service,
        ("cellarhand service fv1 out", "cellarhand service fv1 in"),
        _service_words,
    ),
    "acknowledge": Verb(
        "acknowledge an alarm, or all of a vessel",
        _alarm,
        ("cellarhand acknowledge fv1", "cellarhand acknowledge fv1 prompt", "cellarhand acknowledge bath"),
        _acknowledge_words,
        "The bath's alarms are under the vessel name bath.",
    ),
    "inspected": Verb(
        "you have looked at a device that was found faulty",
        _part,
        ("cellarhand inspected fv1 heater", "cellarhand inspected fv1 well"),
        _inspected_words,
        "It is used again, and found again if it is still faulty.",
    ),
}
