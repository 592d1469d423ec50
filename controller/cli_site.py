"""The little that a command for a running daemon needs of the site file: where its socket is, and the names in it.

The rest of the file is not looked at: whoever may ask the daemon need not be allowed to read its secrets, and a
file that is being changed must not stand between the operator and a daemon that runs.
"""

import argparse
from pathlib import Path

from controller.faults import Fault, FileFaults, Wrong, shown
from controller.operator_client import NoDaemon, socket_path, status_of
from controller.shipped import shipped_path
from controller.yaml_lines import Data, read_yaml


def socket_of(arguments: argparse.Namespace) -> Path:
    """The operator socket of the daemon that `--socket` or `--site` means.

    Raises:
        Wrong: neither is given.
        FileFaults: the site file cannot be read, or names no directory of the store.
    """
    if arguments.socket:
        return Path(arguments.socket)
    if not arguments.site:
        raise Wrong("no daemon to ask", "--site FILE or --socket PATH, or CELLARHAND_SITE in the environment")
    return _socket_of_site(Path(arguments.site))


def vessel_names(site: str | None, socket: str | None) -> list[str]:
    """The vessels of the site file, or without one those of the daemon at the socket; none where neither tells."""
    try:
        if site:
            return _vessels_in(read_yaml(Path(site)).data)
        vessels = status_of(Path(socket))["vessels"] if socket else ()
        return [str(name) for name in vessels] if isinstance(vessels, dict) else []
    except (FileFaults, NoDaemon, KeyError):
        return []


def profile_names(site: str | None) -> list[str]:
    """The profiles in the directory that the site file names, or else those that came with the daemon."""
    try:
        data = read_yaml(Path(site)).data if site else None
        named = data.get("profiles") if isinstance(data, dict) else None
        folder = Path(site or "").absolute().parent / named if isinstance(named, str) else shipped_path("profiles")
        return sorted(path.stem for path in folder.iterdir() if path.suffix in (".yaml", ".yml"))
    except (FileFaults, OSError):
        return []


def _socket_of_site(site: Path) -> Path:
    document = read_yaml(site)
    state_dir = document.data.get("state_dir") if isinstance(document.data, dict) else None
    if not isinstance(state_dir, str) or not state_dir:
        line = document.line_of(("state_dir",))
        right = "the directory of the store, such as /var/lib/cellarhand"
        raise FileFaults((Fault(str(site), line, "state_dir", shown(state_dir), right),))
    return socket_path(site.absolute().parent / state_dir)


def _vessels_in(data: Data) -> list[str]:
    vessels = data.get("vessels") if isinstance(data, dict) else None
    named = [vessel.get("name") for vessel in vessels if isinstance(vessel, dict)] if isinstance(vessels, list) else []
    return [name for name in named if isinstance(name, str)]
