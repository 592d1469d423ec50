"""The site file: read, checked, and made into an `Installation`.

text -> yaml_lines -> site_models, site_crosschecks, upstream_crosschecks -> site_build -> Installation"""

from collections.abc import Mapping
from pathlib import Path

from controller import site_build
from controller.control.course import Profile
from controller.faults import Fault, FileFaults
from controller.installation import Installation
from controller.model_faults import validated
from controller.model_types import FileContext
from controller.profiles import load_profiles
from controller.shipped import shipped_path
from controller.site_crosschecks import duplicates
from controller.site_models import SitePart
from controller.upstream_crosschecks import feeding_faults
from controller.yaml_lines import Data, read_yaml

__all__ = ["Fault", "FileFaults", "load_installation"]


def load_installation(path: Path) -> Installation:
    """Read a site file, the secrets and the profiles that it names; without `profiles:`, the shipped ones.

    Raises:
        FileFaults: with every fault of the site file and of the profiles; nothing else is raised for any file.
    """
    document = read_yaml(path)
    directory = path.absolute().parent
    part, faults = validated(document, SitePart, FileContext(directory, _units(document.data)))
    faults = sorted([*faults, *duplicates(document), *feeding_faults(document)], key=lambda fault: fault.line)
    profiles: Mapping[str, Profile] = {}
    try:
        profiles = load_profiles(_profiles_directory(document.data, directory))
    except FileFaults as error:
        faults.extend(error.faults)
    except FileNotFoundError as error:
        faults.append(Fault(str(path), 0, "profiles", str(error), "a directory with profiles"))
    if faults or part is None:
        raise FileFaults(tuple(faults))
    return site_build.installation(part, profiles)


def _units(data: Data) -> str | None:
    """The unit of bare temperatures, known before everything else is checked."""
    units = data.get("units") if isinstance(data, dict) else None
    return units if isinstance(units, str) and units in {"C", "F"} else None


def _profiles_directory(data: Data, directory: Path) -> Path:
    """The directory that the file names; faults of the key itself are the model's."""
    named = data.get("profiles") if isinstance(data, dict) else None
    return directory / named if isinstance(named, str) and named else shipped_path("profiles")
