"""Nodes obey the highest epoch that they have heard (design rule 10), whatever becomes of the store."""

from pathlib import Path

import pytest

from controller import journal
from controller.config import load_installation
from controller.control.values import Command
from controller.journal import Journal, store_path
from controller.plant.devices import Device
from tests.runtime.daemons import example_site


def epoch_of_a_start(site: Path) -> int:
    """What a daemon's commands would carry after a start with this site file."""
    installation = load_installation(site)
    opened = Journal(installation)
    state = opened.begin(installation.site)
    opened.close(installation.site, state)
    return state.epoch


@pytest.mark.parametrize("store", ["deleted", "damaged"])
def test_a_node_obeys_the_daemon_that_has_lost_its_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, store: str
) -> None:
    site = example_site(tmp_path, 1883)
    monkeypatch.setattr(journal, "new_epoch", lambda: 1_780_000_000)
    before = [epoch_of_a_start(site) for _ in range(3)]
    assert before == [1_780_000_000, 1_780_000_001, 1_780_000_002]
    path = store_path(tmp_path / "state")
    if store == "deleted":
        path.unlink()
    else:
        path.write_bytes(b"SQLite format 3\0" + b"?" * 8000)
    monkeypatch.setattr(journal, "new_epoch", lambda: 1_780_086_400)  # the day after
    after = epoch_of_a_start(site)
    node = Device("pilot-20/cooler")
    node.obey(Command("pilot-20/cooler", False, 90.0, "", 900, before[-1]), 0.0)
    node.obey(Command("pilot-20/cooler", True, 90.0, "", 1, after), 1.0)
    assert node.on
