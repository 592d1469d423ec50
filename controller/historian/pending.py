"""What waits to be written, within bounds. Plain bookkeeping: no thread, no file."""

from collections.abc import Iterable, Sequence
from typing import TypeVar

from controller.control.state import SiteState
from controller.control.values import Record, RecordKind
from controller.historian.database import Batch
from controller.historian.sampler import Sample

MOST_RECORDS = 10_000
MOST_SAMPLES = 20_000  # some hours of ten vessels
COMMIT_S = 60.0  # what a power cut may take of the trend
ALONG_S = 10.0  # samples that have waited as long go with an event: one commit less in the next minute
OFFSET_JUMP_S = 2  # a smaller stray of UTC against the service line is not worth a row

T = TypeVar("T")


class Pending:
    """State, records and samples between the scan and the disk. `lost_records` and `dropped_samples` count
    what had to give way, the oldest first."""

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.lost_records = 0
        self.dropped_samples = 0
        self._state: SiteState | None = None
        self.samples: list[Sample] = []
        self._offsets: list[tuple[int, int | None]] = []
        self._started = False
        self._offset_s: int | None = None
        self._written_s: float | None = None
        self._newest_s = 0.0
        self._lost_told = 0

    def add(self, state: SiteState, records: Iterable[Record], samples: Iterable[Sample]) -> None:
        """Takes in one scan; its state replaces the one before."""
        self._note_clock(state)
        self._state = state
        self._newest_s = state.now_s
        self._join([], records, [], samples)

    def take(self, all_of_it: bool = True) -> Batch:
        """What waits, which waits no longer. Samples that have come since shortly before stay, unless `all_of_it`:
        every transaction that touches the trend rewrites its last page. If records were lost, one more tells of it."""
        samples: list[Sample] = []
        if all_of_it or self._is_over(ALONG_S):
            samples, self.samples = self.samples, samples
            self._written_s = self._newest_s if self._state else self._written_s
        batch = Batch(self._state, self._told(), samples, self._offsets)
        self._state, self.records, self._offsets = None, [], []
        return batch

    def put_back(self, batch: Batch) -> None:
        """A batch that could not be written waits again, before what has come since."""
        self._state = self._state or batch.state
        self._offsets = [*batch.offsets, *self._offsets]
        self._join(batch.records, (), batch.samples, ())

    def give_up(self, batch: Batch) -> None:
        """Counts a batch that can never be written as lost."""
        self.lost_records += len(batch.records)
        self.dropped_samples += len(batch.samples)

    def is_due(self) -> bool:
        """Whether it is time to write, though nothing is urgent: nothing was written yet, or a minute is over."""
        return self._state is not None and self._is_over(COMMIT_S)

    def _is_over(self, length_s: float) -> bool:
        return self._written_s is None or not 0.0 <= self._newest_s - self._written_s < length_s

    def _join(
        self, older: Sequence[Record], newer: Iterable[Record], old: Sequence[Sample], new: Iterable[Sample]
    ) -> None:
        self.records, lost = _newest([*older, *self.records, *newer], MOST_RECORDS)
        self.samples, dropped = _newest([*old, *self.samples, *new], MOST_SAMPLES)
        self.lost_records += lost
        self.dropped_samples += dropped

    def _told(self) -> Sequence[Record]:
        lost = self.lost_records - self._lost_told
        if not lost or not self.records:
            return self.records
        self._lost_told = self.lost_records
        first = self.records[0]
        reason = f"{lost} older records were lost because they could not be written"
        gap = Record(first.at_s, first.utc_s, "", RecordKind.HEALTH, "history", "incomplete", reason)
        return [gap, *self.records]

    def _note_clock(self, state: SiteState) -> None:
        """A row for each start, and for each jump of UTC against the service line."""
        offset_s = None if state.utc_s is None else round(state.utc_s - state.now_s)
        known = self._offset_s
        if not self._started or (offset_s is not None and (known is None or abs(offset_s - known) >= OFFSET_JUMP_S)):
            self._offsets.append((int(state.now_s), offset_s))
            self._offset_s = offset_s
        self._started = True


def _newest(items: list[T], most: int) -> tuple[list[T], int]:
    surplus = max(0, len(items) - most)
    return items[surplus:], surplus
