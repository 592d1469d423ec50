"""`cellarhand completion bash|zsh`: a script that lets the shell complete commands, options, vessels and profiles."""

import argparse
import os

from controller.cli_parser import DONE, Commands, MainParser, examples
from controller.cli_site import profile_names, vessel_names

_FILES = ("site", "socket", "store", "chart", "profiles", "file", "folder")
_NAMES = {"vessel": "vessels", "to_vessel": "vessels", "profile": "profiles"}


def add_completion_commands(commands: Commands, parser: MainParser) -> None:
    """The command itself, and the one that the script calls for names, which no help shows."""
    completion = commands.add_parser(
        "completion",
        help="print a script that completes commands and names in your shell",
        description="Print a script that completes commands, options, vessels and profiles in your shell.",
        epilog=examples(
            "source <(cellarhand completion bash)   # in ~/.bashrc",
            'cellarhand completion zsh > "${fpath[1]}/_cellarhand"',
        ),
    )
    completion.add_argument("shell", choices=("bash", "zsh"), help="your shell")
    completion.set_defaults(run=lambda arguments: _print_script(parser, arguments.shell))
    names = commands.add_parser("names")
    names.add_argument("of", choices=("vessels", "profiles"))
    names.set_defaults(run=_print_names)


def _print_script(parser: MainParser, shell: str) -> int:
    import shtab  # needed by nothing else

    for command in parser.commands.choices.values():
        for action in command._actions:
            if action.dest in _NAMES:
                ask = f"cellarhand names {_NAMES[action.dest]} 2>/dev/null"
                action.complete = shtab.cmd(ask)
            elif action.dest in _FILES:
                action.complete = shtab.FILE
    print(shtab.complete(parser, shell=shell))
    return DONE


def _print_names(arguments: argparse.Namespace) -> int:
    site = os.environ.get("CELLARHAND_SITE")
    names = (
        profile_names(site) if arguments.of == "profiles" else vessel_names(site, os.environ.get("CELLARHAND_SOCKET"))
    )
    for name in names:
        print(name)
    return DONE
