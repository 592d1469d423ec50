"""The shell completes commands, options, vessels and profiles: asked of a real bash, as its TAB key asks.

How a completion function is called, and where it leaves its answers: Bash Reference Manual, 8.6.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from controller.cli import main
from tests.runtime.daemons import ROOT, example_site

ASK = """
source "$1"; shift
how=$(complete -p cellarhand) || exit 9
how=${how#*-F }
COMP_WORDS=("$@"); COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
${how%% *} cellarhand "${COMP_WORDS[COMP_CWORD]}" "${COMP_WORDS[COMP_CWORD - 1]}"
printf '%s\\n' "${COMPREPLY[@]}"
"""


@pytest.fixture
def tab(tmp_path: Path, capsys: pytest.CaptureFixture[str]):  # type: ignore[no-untyped-def]
    """A function that types words at a bash, presses TAB after the last, and gives what is offered."""
    assert main(["completion", "bash"]) == 0
    script, programs = tmp_path / "completion.bash", tmp_path / "bin"
    script.write_text(capsys.readouterr().out)
    programs.mkdir()
    (programs / "cellarhand").write_text(f'#!/bin/sh\nPYTHONPATH={ROOT} exec {sys.executable} -m controller "$@"\n')
    (programs / "cellarhand").chmod(0o755)
    environment = {**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"}
    environment["CELLARHAND_SITE"] = str(example_site(tmp_path, 1))

    def press(line: str) -> list[str]:
        bash = ["bash", "--norc", "-c", ASK, "bash", str(script), "cellarhand", *line.split("|")]
        done = subprocess.run(bash, capture_output=True, text=True, env=environment, timeout=60, check=True)
        assert "command not found" not in done.stderr
        return done.stdout.split()

    return press


def test_bash_completes_commands(tab) -> None:  # type: ignore[no-untyped-def]
    assert tab("res") == ["resume", "restore"]
    assert {"demo", "check", "run", "status", "start", "move", "log", "export"} <= set(tab(""))
    assert "names" not in tab(""), "what only the script calls is not offered"


def test_bash_completes_vessels_and_profiles_by_the_site_file(tab) -> None:  # type: ignore[no-untyped-def]
    assert tab("status|") == ["cone-120", "keg-50", "pilot-20"]
    assert tab("hold|pi") == ["pilot-20"]
    assert tab("move|keg-50|--to|co") == ["cone-120"]
    assert set(tab("start|keg-50|--profile|")) >= {path.stem for path in (ROOT / "profiles").glob("*.yaml")}
    assert tab("start|keg-50|--profile|clean") == ["clean-ale"]


def test_bash_completes_options_and_fixed_words(tab) -> None:  # type: ignore[no-untyped-def]
    assert tab("mode|pilot-20|ma") == ["manual"]
    assert tab("service|pilot-20|o") == ["out"]
    assert tab("skip|pilot-20|--su") == ["--sure"]


def test_names_that_cannot_be_found_are_not_complained_about(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for site in (str(tmp_path / "no-site.yaml"), None):
        monkeypatch.delenv("CELLARHAND_SITE", raising=False)
        if site:
            monkeypatch.setenv("CELLARHAND_SITE", site)
        monkeypatch.setenv("CELLARHAND_SOCKET", str(tmp_path / "nobody.sock"))
        assert main(["names", "vessels"]) == 0
        assert capsys.readouterr() == ("", "")


def test_the_script_for_zsh_is_one_that_zsh_can_read(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["completion", "zsh"]) == 0
    script = tmp_path / "_cellarhand"
    script.write_text(capsys.readouterr().out)
    assert script.read_text().startswith("#compdef cellarhand")
    zsh = shutil.which("zsh")
    # Without a zsh its nearest relative reads the same quoting and brackets; only zsh itself can say more.
    reader = [zsh, "-n"] if zsh else ["bash", "-n"]
    done = subprocess.run([*reader, str(script)], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
