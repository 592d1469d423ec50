"""Pipes, devices and directories where a file is named: refused, since a pipe would keep its reader for ever."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.regular_file import open_regular
from tests.config.site_files import PROFILE, SITE, changed, write_site

LONGEST_S = 60.0  # of a check that takes less than one
PIPE = "a pipe, a socket or a device, not a regular file"
MAKE: dict[str, tuple[Callable[[Path], object], str]] = {
    "pipe": (os.mkfifo, PIPE),
    "device": (lambda path: path.symlink_to("/dev/zero"), PIPE),
    "directory": (Path.mkdir, "is a directory"),
}


def checked(site: Path, *profiles: Path) -> str:
    """What `cellarhand check` complains of; it has some seconds for it."""
    words = [f"--site={site}", *map(str, profiles)]
    code = "import sys; from controller.cli import main; sys.exit(main(sys.argv[1:]))"
    done = subprocess.run(
        [sys.executable, "-c", code, "check", *words], capture_output=True, text=True, timeout=LONGEST_S, check=False
    )
    assert done.returncode == 2, done
    assert "nothing was changed" in done.stderr
    return done.stderr


@pytest.mark.parametrize("kind", MAKE)
def test_a_site_file_that_is_none_is_refused(tmp_path: Path, kind: str) -> None:
    make, found = MAKE[kind]
    make(tmp_path / "site.yaml")
    assert f"site.yaml: found {found}; right would be a file that can be read" in checked(tmp_path / "site.yaml")


@pytest.mark.parametrize("kind", MAKE)
def test_a_file_of_a_secret_or_of_tls_that_is_none_is_refused(tmp_path: Path, kind: str) -> None:
    make, found = MAKE[kind]
    make(tmp_path / "secret")
    make(tmp_path / "ca.pem")
    broker = "{host: 127.0.0.1, user: ch, password_file: secret, tls: {ca_file: ca.pem}}"
    told = checked(write_site(tmp_path, changed("{host: 127.0.0.1}", broker)))
    assert f'broker.password_file: found "secret" ({found})' in told
    assert "broker.tls.ca_file: found" in told
    assert told.count(f"({found})") == 2


def test_a_profile_that_is_none_is_refused_beside_a_good_one(tmp_path: Path) -> None:
    site = write_site(tmp_path, SITE)
    os.mkfifo(tmp_path / "profiles" / "pipe.yaml")
    (tmp_path / "good.yaml").write_text(PROFILE)
    assert f"pipe.yaml: found {PIPE}" in checked(site, tmp_path / "good.yaml")


def test_a_link_to_a_regular_file_is_followed(tmp_path: Path) -> None:
    (tmp_path / "really").write_bytes(b"so")
    (tmp_path / "link").symlink_to("really")
    with open_regular(tmp_path / "link") as file:
        assert file.read() == b"so"
