"""Where the files are that come with the daemon: inside an installed package, or in a checkout."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_PLACES = {
    "profiles": "profiles",
    "example-site.yaml": "deploy/example-site.yaml",
    "demo-site.yaml": "deploy/demo-site.yaml",
}


def shipped_path(name: str) -> Path:
    """The path of "profiles", "example-site.yaml" or "demo-site.yaml".

    Raises:
        KeyError: another name.
        FileNotFoundError: the installation lacks it.
    """
    in_checkout = _PACKAGE.parent / _PLACES[name]
    for path in (_PACKAGE / "shipped" / name, in_checkout):
        if path.exists():
            return path
    raise FileNotFoundError(f"{name} did not come with this installation; install cellarhand again")
