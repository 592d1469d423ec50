"""What has arrived since the last scan: the newest good reading of each probe, and the operators' requests.

Bounded by construction: one reading for each tag of the site file, and a queue that refuses when it is full.
"""

from collections import Counter, deque
from collections.abc import Callable, Sequence
from typing import NamedTuple

from controller.control.decode import Reason, Refusal, Where, decode_message
from controller.control.values import Action, Reading
from controller.installation import Source

MOST_REQUESTS = 32  # our choice: more than people press in one scan


class Inbox:
    """The newest good reading of each probe tag.

    `received` counts messages on topics of the site file, `overwritten` readings that a newer one replaced
    before a scan took them, `refused` values by (tag, reason). `last_refusal` holds the newest for each tag.
    """

    def __init__(self, sources: Sequence[Source]) -> None:
        self._wanted: dict[str, list[Where]] = {}
        for source in sources:
            where = Where(source.tag, source.pointer, source.unit, source.time_pointer)
            self._wanted.setdefault(source.topic, []).append(where)
        self._newest: dict[str, Reading] = {}
        self.received = 0
        self.overwritten = 0
        self.refused: Counter[tuple[str, Reason]] = Counter()
        self.last_refusal: dict[str, Refusal] = {}

    @property
    def topics(self) -> tuple[str, ...]:
        """The exact topics to subscribe to."""
        return tuple(self._wanted)

    def put(self, topic: str, payload: bytes, retained: bool, at_s: float, utc_s: float | None) -> None:
        """Keep the readings of one message, received at `at_s` on the service's time line. A bad value is
        counted and displaces nothing; a retained message is history and never a reading; a topic that the
        site file does not name is ignored."""
        wanted = self._wanted.get(topic)
        if wanted is None:
            return
        self.received += 1
        if retained:
            refusal = Refusal(Reason.RETAINED, "kept by the broker from an earlier time")
            results: list[tuple[str, float | Refusal]] = [(where.tag, refusal) for where in wanted]
        else:
            results = decode_message(payload, wanted, utc_s)
        for tag, result in results:
            if isinstance(result, Refusal):
                self.refused[tag, result.reason] += 1
                self.last_refusal[tag] = result
            else:
                self.overwritten += tag in self._newest
                self._newest[tag] = Reading(result, at_s)

    def take(self) -> dict[str, Reading]:
        """All readings since the last call, by probe tag; the inbox is empty afterwards."""
        taken, self._newest = self._newest, {}
        return taken


class Request(NamedTuple):
    """One checked wish of an operator and where its answer goes, whoever asked: page, command line or MQTT."""

    action: Action
    answer: Callable[[str], None]


class Requests:
    """The queue of operator requests that the next scan takes, `MOST_REQUESTS` at most."""

    def __init__(self) -> None:
        self._waiting: deque[Request] = deque()
        self.refused = 0

    def offer(self, request: Request) -> bool:
        """Queue the request. False when the queue is full: the caller must tell the operator so."""
        if len(self._waiting) >= MOST_REQUESTS:
            self.refused += 1
            return False
        self._waiting.append(request)
        return True

    def take(self) -> tuple[Request, ...]:
        """All waiting requests, oldest first; the queue is empty afterwards."""
        taken = tuple(self._waiting)
        self._waiting.clear()
        return taken
