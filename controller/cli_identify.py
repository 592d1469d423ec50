"""`cellarhand identify`: begin or stop an identification, or show where it stands and what it found."""

import argparse
import sys

from controller.cli_parser import DONE, REFUSED
from controller.cli_site import socket_of
from controller.faults import Wrong, shown
from controller.operator_client import status_of

TESTS = ("step", "relay", "stop")
Arguments = dict[str, str | float | bool]


def identify_words(parser: argparse.ArgumentParser) -> None:
    """The words of the command."""
    parser.add_argument("test", nargs="?", choices=TESTS, help="the test to begin, or stop; without it: what was found")
    parser.add_argument("--force", action="store_true", help="even while yeast may be at work")


def identify_arguments(arguments: argparse.Namespace) -> Arguments:
    """What the daemon is told."""
    if arguments.force and arguments.test not in ("step", "relay"):
        raise Wrong("--force without a test to begin", "step --force or relay --force")
    return {"test": arguments.test, "force": True} if arguments.force else {"test": arguments.test or ""}


def show_identification(arguments: argparse.Namespace) -> int | None:
    """Without a test to begin or stop: print the fragment for the site file, and where a test stands. Returns None
    where there is something to be asked for instead, else 0, or 1 where nothing is known.

    Raises:
        Wrong: there is no vessel of that name.
        NoDaemon: as `operator_client.ask`.
    """
    if arguments.test or arguments.force:
        return None
    status = status_of(socket_of(arguments))
    vessels = status["vessels"]
    assert isinstance(vessels, dict)
    if arguments.vessel not in vessels:
        raise Wrong(f"the vessel {shown(arguments.vessel)}", ", ".join(vessels))
    found = vessels[arguments.vessel]["identification"]
    if found["running"]:
        print(f"# {found['running']['text']}")
    if found["result"]:
        print(found["result"]["fragment"])
    if found["running"] or found["result"]:
        return DONE
    why = f": {found['ended']}" if found["ended"] else "; begin one with `step` or `relay`"
    print(f"{arguments.vessel} has no identification to show{why}", file=sys.stderr)
    return REFUSED
