"""Nodes obey the highest epoch that they have heard (design rule 10), whatever becomes of the store."""

from functools import partial
from pathlib import Path

import pytest

from controller.config import load_installation
from controller.control.step import step
from controller.control.values import Command, Inputs
from controller.historian import store
from controller.historian.query import read_saved_state
from controller.journal import Journal, store_path
from controller.plant.devices import Device
from tests.runtime.daemons import example_site, until


def epoch_of_a_start(site: Path, least: int) -> int:
    """What a daemon's commands would carry after a start with this site file, when it is asked for at least `least`."""
    installation = load_installation(site)
    opened = Journal(installation)
    state = opened.begin(installation.site)
    result = step(installation.site, state, Inputs(state.now_s, None, {}, epoch=least))
    opened.keep(result)
    opened.close(installation.site, result.state)
    return result.commands[0].epoch


@pytest.mark.parametrize("lost", ["deleted", "damaged"])
def test_a_node_obeys_the_daemon_that_has_lost_its_store(tmp_path: Path, lost: str) -> None:
    site = example_site(tmp_path, 1883)
    before = [epoch_of_a_start(site, 1_780_000_000) for _ in range(3)]
    assert before == [1_780_000_000, 1_780_000_001, 1_780_000_002]
    path = store_path(tmp_path / "state")
    if lost == "deleted":
        path.unlink()
    else:
        path.write_bytes(b"SQLite format 3\0" + b"?" * 8000)
    after = epoch_of_a_start(site, 1_780_086_400)  # the day after
    node = Device("pilot-20/cooler")
    node.obey(Command("pilot-20/cooler", False, 90.0, "", 900, before[-1]), 0.0)
    node.obey(Command("pilot-20/cooler", True, 90.0, "", 1, after), 1.0)
    assert node.on


def test_an_epoch_that_nodes_have_heard_is_stored_for_good_though_nothing_else_has_happened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut within the minute, and a clock that is unset after it, would else bring a lower one."""
    monkeypatch.setattr(store, "COMMIT_S", 3600.0)
    installation = load_installation(example_site(tmp_path, 1883))
    opened = Journal(installation)
    state = opened.begin(installation.site)
    for epoch in (1_780_000_000, 1_780_000_007):
        result = step(installation.site, state, Inputs(5.0, None, {}, epoch=epoch))
        opened.keep(result._replace(records=()))
        state = result.state
        until(partial(is_on_the_disk, tmp_path, epoch))
    opened.discard()


def is_on_the_disk(folder: Path, epoch: int) -> bool:
    saved = read_saved_state(store_path(folder / "state"))
    return saved is not None and saved.epoch == epoch
