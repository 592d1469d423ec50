"""What the journal remembers of an orderly stop (design rule 11)."""

import sqlite3
from contextlib import closing
from pathlib import Path

from controller.config import load_installation
from controller.control.state import OutputState
from controller.journal import Journal, store_path
from tests.runtime.daemons import example_site


def test_the_last_off_bears_the_moment_in_which_it_was_commanded_not_that_of_the_last_scan(tmp_path: Path) -> None:
    installation = load_installation(example_site(tmp_path, 1883))
    journal = Journal(installation)
    state = journal.begin(installation.site)
    name = installation.site.vessels[0].name
    cooler = state.vessels[name].cooler
    assert isinstance(cooler, OutputState)
    running = state.vessels[name]._replace(cooler=cooler._replace(on=True))
    state = state._replace(now_s=state.now_s + 60.0, vessels={**state.vessels, name: running})
    journal.close(installation.site, state, (state.now_s + 4.0, None))
    with closing(sqlite3.connect(store_path(installation.state_dir))) as history:
        history.row_factory = sqlite3.Row
        [row] = [dict(each) for each in history.execute("SELECT * FROM records WHERE subject = 'cooler'")]
    assert (row["value"], row["reason"]) == ("off", "the service stops")
    assert state.now_s + 4.0 in row.values()
