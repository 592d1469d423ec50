"""`check` reads what a run would read, says all of it, and exits 0 or 2."""

from argparse import Namespace
from pathlib import Path

import pytest

from controller.check import check_files, run_check
from controller.config import load_installation
from controller.control.site import LoopKind
from controller.shipped import shipped_path
from tests.config.site_files import PROFILE, changed, write_site


def test_a_good_site_exits_0_and_prints_its_warnings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_check(Namespace(site=write_site(tmp_path), profiles=[])) == 0
    printed = capsys.readouterr()
    assert printed.err == ""
    assert "warning: the devices of fv1/cooler, fv1/heater cannot tell two daemons apart" in printed.out
    assert printed.out.endswith("no faults\n")


def test_a_faulty_site_exits_2_and_says_that_nothing_was_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = write_site(tmp_path, changed("volume: 60 L", "volume: 60"))
    assert run_check(Namespace(site=site, profiles=[])) == 2
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].startswith(f"{site}:15: vessels.fv1.volume: found 60; right would be")
    assert lines[-1].endswith("1 fault; nothing was changed")


def test_a_missing_secret_is_found_before_the_run(tmp_path: Path) -> None:
    site = write_site(tmp_path, changed("{host: 127.0.0.1}", "{host: 127.0.0.1, user: ch, password_file: gone}"))
    (fault,), _ = check_files(site, [])
    assert fault.key == "broker.password_file"


def test_profiles_can_be_checked_alone_and_all_of_them_are_read(tmp_path: Path) -> None:
    good, bad, worse = (tmp_path / f"{name}.yaml" for name in ("good", "bad", "worse"))
    good.write_text(PROFILE)
    bad.write_text(PROFILE.replace("19 C", "19 K"))
    worse.write_text("[")
    faults, _ = check_files(None, [good, bad, worse])
    assert [Path(fault.file).name for fault in faults] == ["bad.yaml", "worse.yaml"]
    assert run_check(Namespace(site=None, profiles=[good])) == 0


def test_the_example_site_loads_as_it_is_described() -> None:
    installation = load_installation(shipped_path("example-site.yaml"))
    site = installation.site
    assert [vessel.name for vessel in site.vessels] == ["cone-120", "keg-50", "pilot-20"]
    assert len({vessel.volume_l for vessel in site.vessels}) == 3
    assert site.bath is not None
    assert site.room is not None
    assert site.vessels[1].heater is None
    assert site.vessels[1].loop.kind is LoopKind.ON_OFF
    assert site.profiles
    assert len({source.tag for source in installation.sources}) == len(installation.sources) == 5
    assert set(installation.actuators) == {
        output.tag for vessel in site.vessels for output in (vessel.cooler, vessel.heater) if output is not None
    }


def test_the_example_warns_where_it_can_hurt() -> None:
    text = shipped_path("example-site.yaml").read_text()
    for part in ("cooler", "heater"):
        after = text[text.index(f"    {part}:\n") :]
        assert "CAUTION" in after.splitlines()[1]
    assert "licensed electrician" in text
    assert "ethylene glycol is poisonous" in text
