"""Which daemon a command means, and what it needs of the site file for that."""

from pathlib import Path

import pytest

from controller.cli import main
from tests.cli_terminal import DONE, FAULTY, NO_DAEMON, Terminal, listening
from tests.runtime.daemons import example_site


@pytest.fixture(autouse=True)
def no_site_of_ones_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tester's own environment does not count."""
    for name in ("CELLARHAND_SITE", "CELLARHAND_SOCKET"):
        monkeypatch.delenv(name, raising=False)


def test_an_operator_needs_neither_the_secrets_nor_a_faultless_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = example_site(tmp_path, 1, ("percent: 33 %", "percent: plenty"))
    (tmp_path / "broker-password").unlink()
    (tmp_path / "state").mkdir()
    with listening(tmp_path / "state", lambda request: {"answer": "held"}):
        assert Terminal(site, capsys).does("hold|keg-50") == "held"
    assert main(["check", "--site", str(site)]) == FAULTY, "it is for `check` to say so"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("site: cellar\n", "state_dir: found nothing"),
        ("state_dir: [a, b]\n", "state_dir: found a list"),
        ("state_dir: ''\n", 'state_dir: found ""'),
        ("- a\n", "state_dir: found nothing"),
        ("state_dir: a\nstate_dir: b\n", "state_dir"),
    ],
)
def test_a_file_that_does_not_say_where_the_daemon_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, found: str
) -> None:
    site = tmp_path / "site.yaml"
    site.write_text(text)
    code, out, err = Terminal(site, capsys).says("status")
    assert (code, out) == (FAULTY, "")
    assert f"{site}:" in err
    assert found in err
    assert "nothing was changed" in err


def test_the_environment_names_the_site_for_every_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    site = example_site(tmp_path, 1, ("percent: 33 %", "percent: plenty"))
    monkeypatch.setenv("CELLARHAND_SITE", str(site))
    assert main(["check"]) == FAULTY
    assert main(["run"]) == FAULTY
    assert main(["hold", "keg-50"]) == NO_DAEMON
    err = capsys.readouterr().err
    assert err.count("plenty") == 2
    assert str(tmp_path / "state" / "operator.sock") in err


def test_profile_files_are_checked_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CELLARHAND_SITE", str(tmp_path / "no-such-site.yaml"))
    profile = tmp_path / "half-an-ale.yaml"
    profile.write_text("title: Half an ale\nunits: C\n")
    assert main(["check", str(profile)]) == FAULTY
    assert "no-such-site" not in capsys.readouterr().err


def test_names_for_the_shell_come_from_the_file_or_else_from_the_daemon(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    status = {"status": {"vessels": {"fv1": {}, "fv2": {}}}}
    with listening(tmp_path, lambda request: status) as (path, _):
        monkeypatch.setenv("CELLARHAND_SOCKET", str(path))
        assert main(["names", "vessels"]) == DONE
        assert capsys.readouterr().out.split() == ["fv1", "fv2"]
    monkeypatch.setenv("CELLARHAND_SITE", str(example_site(tmp_path, 1)))
    assert main(["names", "vessels"]) == DONE
    assert capsys.readouterr().out.split() == ["cone-120", "keg-50", "pilot-20"]


def test_profiles_of_ones_own_are_offered_instead_of_those_that_came_along(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "house-ale.yaml").write_text("title: House ale\n")
    site = example_site(tmp_path, 1)
    monkeypatch.setenv("CELLARHAND_SITE", str(site))
    assert main(["names", "profiles"]) == DONE
    assert "clean-ale" in capsys.readouterr().out.split()
    site.write_text(site.read_text() + "\nprofiles: mine\n")
    assert main(["names", "profiles"]) == DONE
    assert capsys.readouterr().out.split() == ["house-ale"]
