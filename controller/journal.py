"""What the daemon remembers of each scan: in the store, in the log, and the newest records for whoever asks."""

import logging
import os
from collections.abc import Sequence
from pathlib import Path

from controller.control.lifecycle import initial_state, remembered_state, resumed_state, stopped_state
from controller.control.site import Site
from controller.control.state import SiteState
from controller.control.step import StepResult
from controller.control.values import Record, RecordKind
from controller.historian.positions import PositionsFile, goes_on_from, memory_dir, put_forward
from controller.historian.sampler import Sampler
from controller.historian.store import open_store
from controller.hmi.news import sentence
from controller.hmi.shell import StoreCounts
from controller.installation import Installation
from controller.outputs import off_records

LOG = logging.getLogger(__name__)

STORE_NAME = "history.sqlite"
RECENT_RECORDS = 20

Moments = tuple[float, float | None]
"""One instant on the line of the service and in UTC, s; None where that is not trusted."""


class Journal:
    """The memory of one run; opening it opens the store. `recent` are the newest records, oldest first; `display` is
    how people want to see figures.

    Raises:
        HistoryError, OSError: there can be no store in the state directory; the text says why.
    """

    def __init__(self, installation: Installation) -> None:
        installation.state_dir.mkdir(parents=True, exist_ok=True)
        self._store = open_store(store_path(installation.state_dir), installation.history, remembered_state)
        self._positions = PositionsFile(installation.state_dir, memory_dir(os.environ))
        self._sampler = Sampler(installation.history.sample_s)
        self.recent: list[Record] = []
        self.display = installation.display
        self.resumed: SiteState | None = None
        self._epoch: int | None = None  # newest that has been stored for good

    def begin(self, site: Site) -> SiteState:
        """The state to go on with: the saved one, which is `resumed` then, or that of a new plant.

        Raises:
            HistoryError: the saved state cannot be read. ValueError: it has a batch in a vessel that is no more.
        """
        self.resumed = self._store.load_state()
        if self.resumed is None:
            return initial_state(site, 0.0)
        positions = self._positions.read()
        whole = not self.resumed.started or goes_on_from(self.resumed, positions)
        self.resumed = put_forward(self.resumed, positions)
        state = resumed_state(site, self.resumed, self.resumed.now_s, whole)
        LOG.info("going on after a stop: %s", _where_each_stands(state))
        return state

    def keep(self, result: StepResult) -> None:
        """Remember a scan: events at once, step clocks so that they outlive the process, the rest in a minute."""
        samples = self._sampler.add(result.state)
        # Nodes have heard a new epoch: a start after a power cut must not come with a lower one.
        durable = bool(result.records) or result.state.epoch != self._epoch
        self._store.save(result.state, result.records, samples, durable=durable)
        self._epoch = result.state.epoch
        self._positions.keep(result.state)
        self._tell(result.records)

    def note(self, state: SiteState, records: Sequence[Record]) -> None:
        """Remember what happened outside of a scan, and the state after it; the log has been told."""
        self._store.save(state, records, durable=True)
        self.recent = [*self.recent, *records][-RECENT_RECORDS:]

    def close(self, site: Site, state: SiteState, off_at: Moments | None = None) -> None:
        """Remember that everything is off, which was commanded `off_at` (None: in the last scan), and bring all to the
        disk. Blocks."""
        now_s, utc_s = off_at or (state.now_s, state.utc_s)
        records = off_records(site, state._replace(now_s=now_s, utc_s=utc_s), "the service stops")
        self._store.save(stopped_state(state), records, self._sampler.rest(), durable=True)
        self._store.close()
        self._positions.close()

    def discard(self) -> None:
        """Close without another word: the service could not start."""
        self._store.close()

    @property
    def fault(self) -> str:
        """Why nothing can be stored at the moment, "" if it can."""
        return self._store.health().fault

    def counts(self) -> StoreCounts:
        """How the store is."""
        health = self._store.health()
        return StoreCounts(
            health.healthy, health.failures, health.waiting_records, health.lost_records, health.dropped_samples
        )

    def _tell(self, records: Sequence[Record]) -> None:
        if records:
            self.recent = [*self.recent, *records][-RECENT_RECORDS:]
        for record in records:
            if record.kind is not RecordKind.ACTION or record.value != "done":  # what was done has told itself
                level = logging.DEBUG if record.kind is RecordKind.OUTPUT else logging.INFO
                LOG.log(level, "%s: %s", record.vessel or "site", sentence(record, self.display))


def store_path(state_dir: Path) -> Path:
    """Where the store of this state directory is."""
    return state_dir / STORE_NAME


def _where_each_stands(state: SiteState) -> str:
    batches = [f"{name}: {now.batch.name} {now.condition.value}" for name, now in state.vessels.items() if now.batch]
    return "; ".join(batches) or "no batches"
