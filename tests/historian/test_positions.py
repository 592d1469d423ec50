"""Step clocks that outlive a killed process, and never take a batch further than it was."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.program import entered
from controller.control.state import SiteState
from controller.historian.positions import PositionsFile, memory_dir, put_forward
from tests.historian.cellars import FRIDAY, brewing


def at(now_s: float, step: int = 2, counted_s: float = 0.0, epoch: int = 7) -> SiteState:
    """A cellar whose one batch stands somewhere in its profile."""
    state = brewing(now_s, FRIDAY + now_s)
    program = entered(step, 18.0)._replace(counted_s=counted_s, elapsed_s=counted_s + 60.0)
    return state._replace(epoch=epoch, vessels={"one": state.vessels["one"]._replace(program=program)})


def after_a_kill(folder: Path, saved: SiteState, *scans: SiteState) -> SiteState:
    """What the next run goes on with, when the store has `saved` and the process saw `scans` since."""
    file = PositionsFile(folder, None)
    for scan in scans:
        file.keep(scan)
    return put_forward(saved, PositionsFile(folder, None).read())


def test_a_killed_process_goes_on_at_its_last_scan(tmp_path: Path) -> None:
    last = at(1055.0, counted_s=355.0)
    found = after_a_kill(tmp_path, at(1000.0, counted_s=300.0), at(1050.0, counted_s=350.0), last)
    assert found == last


def test_a_shorter_text_leaves_nothing_of_a_longer_one(tmp_path: Path) -> None:
    long = at(1050.123456789, counted_s=350.123456789)
    assert after_a_kill(tmp_path, at(1000.0), long, at(1060.0, counted_s=60.0)) == at(1060.0, counted_s=60.0)


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(at(1055.0, counted_s=355.0, epoch=6), id="of an earlier run"),
        pytest.param(at(995.0, counted_s=295.0), id="older than the store"),
        pytest.param(at(9000.0, counted_s=8000.0), id="far from the store: a backup was put in its place"),
    ],
)
def test_positions_that_do_not_belong_to_the_store_are_not_used(tmp_path: Path, other: SiteState) -> None:
    saved = at(1000.0, counted_s=300.0)
    assert after_a_kill(tmp_path, saved, other) == saved


def test_a_run_whose_disk_took_nothing_has_used_its_epoch_all_the_same(tmp_path: Path) -> None:
    """Nodes have heard its numbers: a next run under the same epoch would be ignored for as long."""
    saved = at(1000.0, counted_s=300.0, epoch=6)
    assert after_a_kill(tmp_path, saved, at(9000.0, counted_s=8000.0)) == saved._replace(epoch=7)


def test_a_step_whose_beginning_the_store_has_not_seen_begins_again(tmp_path: Path) -> None:
    found = after_a_kill(tmp_path, at(1000.0, counted_s=300.0), at(1055.0, step=3, counted_s=5.0))
    program = found.vessels["one"].program
    assert program is not None
    assert (program.step, program.counted_s, found.now_s) == (2, 300.0, 1055.0)


@given(cut=st.integers(0, 400), flipped=st.integers(0, 2000))
def test_a_torn_or_spoiled_file_is_no_file(tmp_path_factory: pytest.TempPathFactory, cut: int, flipped: int) -> None:
    folder = tmp_path_factory.mktemp("torn")
    file = PositionsFile(folder, None)
    file.keep(at(1055.0, counted_s=355.0))
    whole = (folder / "positions").read_bytes()
    spoiled = bytearray(whole[: len(whole) - cut])
    if flipped // 8 < len(spoiled):
        spoiled[flipped // 8] ^= 1 << flipped % 8
    (folder / "positions").write_bytes(bytes(spoiled))
    found = PositionsFile(folder, None).read()
    assert found is None or found.programs == {"one": at(1055.0, counted_s=355.0).vessels["one"].program}


def test_without_a_file_the_store_holds(tmp_path: Path) -> None:
    assert PositionsFile(tmp_path, None).read() is None
    assert put_forward(at(1000.0), None) == at(1000.0)


def test_a_disk_that_refuses_is_told_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    file = PositionsFile(tmp_path / "nowhere", None)
    for now_s in (0.0, 5.0, 10.0):
        file.keep(at(now_s))
    assert len(caplog.records) == 1
    (tmp_path / "nowhere").mkdir()
    file.keep(at(15.0))
    assert file.read() is not None


def test_a_link_that_somebody_laid_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "precious").write_text("precious")
    (tmp_path / "positions").symlink_to(tmp_path / "precious")
    PositionsFile(tmp_path, None).keep(at(0.0))
    assert (tmp_path / "precious").read_text() == "precious"


def test_an_orderly_end_leaves_nothing_behind(tmp_path: Path) -> None:
    file = PositionsFile(tmp_path, None)
    file.keep(at(0.0))
    file.close()
    assert not list(tmp_path.iterdir())


def test_what_another_user_put_there_is_not_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = PositionsFile(tmp_path, None)
    file.keep(at(1055.0))
    monkeypatch.setattr("os.geteuid", lambda: (tmp_path / "positions").stat().st_uid + 1)
    assert file.read() is None


def test_memory_is_preferred_to_the_disk(tmp_path: Path) -> None:
    """systemd.exec(5): RUNTIME_DIRECTORY, several separated by colons. XDG Base Directory: XDG_RUNTIME_DIR."""
    run, session, machine, disk = (tmp_path / name for name in ("run", "session", "machine", "disk"))
    for folder in (run, session, machine, disk):
        folder.mkdir()
    named = {"RUNTIME_DIRECTORY": f"{run}:/else", "XDG_RUNTIME_DIR": str(session)}
    assert memory_dir(named, machine) == run
    assert memory_dir({"XDG_RUNTIME_DIR": str(session)}, machine) == session
    assert memory_dir({"XDG_RUNTIME_DIR": "relative"}, machine) == machine
    assert memory_dir({}, tmp_path / "nowhere") is None
    PositionsFile(disk, run).keep(at(0.0))
    assert not list(disk.iterdir())
    assert len(list(run.iterdir())) == 1
