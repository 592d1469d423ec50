"""The unit for systemd, judged by systemd's own tools (systemd-analyze(1))."""

import re
import subprocess
from pathlib import Path

import pytest

from tests.runtime.daemons import ROOT
from tests.servers import program

UNIT = ROOT / "deploy" / "systemd" / "cellarhand.service"
HIGHEST_EXPOSURE = 3.0  # systemd-analyze(1): 0 is best, 10 worst; above 3 begins what it no longer calls "OK"


def settings(text: str) -> list[tuple[str, str]]:
    """The settings of a unit file, in their order."""
    return [(name, value) for name, value in re.findall(r"^(\w+)=(.*)$", text, re.MULTILINE)]


@pytest.mark.servers
def test_systemd_finds_no_fault_in_the_unit(tmp_path: Path) -> None:
    text = UNIT.read_text()
    command = "/opt/cellarhand/bin/cellarhand"
    assert text.count(f"={command} run") == 1
    (tmp_path / UNIT.name).write_text(text.replace(command, "/bin/true"))  # it is not installed here
    done = subprocess.run(
        [program("systemd-analyze"), "verify", str(tmp_path / UNIT.name)], capture_output=True, text=True
    )
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@pytest.mark.servers
def test_the_service_is_shut_off_from_what_it_does_not_need(capsys: pytest.CaptureFixture[str]) -> None:
    threshold = f"--threshold={HIGHEST_EXPOSURE * 10:.0f}"
    done = subprocess.run(
        [program("systemd-analyze"), "security", "--offline=true", "--no-pager", threshold, str(UNIT)],
        capture_output=True,
        text=True,
    )
    found = re.search(r"Overall exposure level for cellarhand.service: ([0-9.]+)", done.stdout)
    assert found, done.stdout + done.stderr
    with capsys.disabled():
        print(f"exposure of the service by systemd-analyze: {found[1]} (0 is best, 10 worst)")
    assert done.returncode == 0
    assert float(found[1]) < HIGHEST_EXPOSURE


def test_the_service_is_started_again_for_ever() -> None:
    """systemd.service(5), systemd.unit(5): a start limit interval of 0 switches the limit off."""
    given = settings(UNIT.read_text())
    assert ("Restart", "always") in given
    assert ("StartLimitIntervalSec", "0") in given


def test_a_reload_is_a_hang_up_and_readiness_is_told_by_the_service() -> None:
    given = dict(settings(UNIT.read_text()))
    assert given["ExecReload"] == "/bin/kill -HUP $MAINPID"
    assert given["Type"] == "notify"  # systemd.service(5): "notify-reload" came with version 253


def test_every_group_of_settings_is_explained() -> None:
    sections = [part for part in UNIT.read_text().split("\n[") if "=" in part]
    groups = [group for part in sections for group in part.split("\n\n")]
    silent = [group for group in groups if "=" in group and "#" not in group and not group.startswith("Install]")]
    assert silent == []
