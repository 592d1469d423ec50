"""`cellarhand check`: read everything that a run would read, print every fault and warning, change nothing."""

import os
import sys
from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path

from controller.config import load_installation
from controller.faults import Fault, FileFaults
from controller.profiles import load_profile
from controller.shipped import shipped_path

FAULTLESS = 0
FAULTY = 2


def check_files(site_path: Path | None, profile_paths: Sequence[Path]) -> tuple[list[Fault], list[str]]:
    """All faults, and the warnings of a site file that has none.

    `site_path` None leaves the site file out. The site file brings its secrets and its profiles along; the
    profiles of `profile_paths` are read besides.
    """
    faults: list[Fault] = []
    warnings: list[str] = []
    if site_path is not None:
        try:
            warnings.extend(load_installation(site_path).warnings)
        except FileFaults as error:
            faults.extend(error.faults)
    for path in profile_paths:
        try:
            load_profile(path)
        except FileFaults as error:
            faults.extend(fault for fault in error.faults if fault not in faults)
    return faults, warnings


def run_check(arguments: Namespace) -> int:
    """The command. Takes `site` (a path or None) and `profiles` (a list of paths); with neither, the site of the
    environment's CELLARHAND_SITE, or else the example that came with the daemon. Returns 0, or 2 if there is any
    fault."""
    site: Path | None = arguments.site
    profiles: Sequence[Path] = arguments.profiles
    if site is None and not profiles:
        site = Path(os.environ.get("CELLARHAND_SITE") or shipped_path("example-site.yaml"))
    faults, warnings = check_files(site, profiles)
    for warning in warnings:
        print(f"warning: {warning}")
    for fault in faults:
        print(fault, file=sys.stderr)
    read = ", ".join(str(path) for path in [*([site] if site else []), *profiles])
    if faults:
        print(f"{read}: {len(faults)} fault{'s' if len(faults) > 1 else ''}; nothing was changed", file=sys.stderr)
        return FAULTY
    print(f"{read}: no faults")
    return FAULTLESS
