"""Messages on their way: which go to which target, when, grouped how, and which wait for another try.

Time is an argument (the service's time line, and UTC where it is trusted), so that all of it can be tested in no time.
Every change of what waits is stored before anything is sent, and what was sent is marked afterwards: a message reaches
each target at least once; after a crash between the two, twice.
"""

import random
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

from controller.control.alarm_list import Priority
from controller.display import Display
from controller.hmi.messages import Memory, Message
from controller.hmi.messages_when import in_quiet_hours
from controller.hmi.outbox_file import OutboxFile, Stored, Waiting
from controller.hmi.words import duration_text, moment_text
from controller.installation import Notifications, Target

MOST_WAITING = 500
MOST_IN_ONE = 40  # messages in one parcel; the others are counted in it
LONGEST_TITLE, LONGEST_TEXT = 200, 1000
RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}
OLDEST_S = {Priority.LOW: 24 * 3600.0, Priority.MEDIUM: 3 * 86400.0, Priority.HIGH: 7 * 86400.0}


class Pace(NamedTuple):
    """How fast messages go out, in s; common practice, no source. What comes within `group_s` goes together, at the
    start within `first_s`; after a failure the next try waits `retry_s`, doubled each time up to `longest_retry_s`,
    shortened at random by up to a half; `burst` parcels may go one after the other, then one each `refill_s`. For
    `utc_patience_s` what is not urgent waits to know whether it is night."""

    group_s: float = 30.0
    first_s: float = 90.0
    retry_s: float = 10.0
    longest_retry_s: float = 3600.0
    burst: int = 5
    refill_s: float = 60.0
    utc_patience_s: float = 600.0


USUAL_PACE = Pace()


class Parcel(NamedTuple):
    """What goes to one target in one delivery. `utc_s` is that of the newest message, None if unknown."""

    target: str
    numbers: frozenset[int]
    priority: Priority
    title: str
    text: str
    utc_s: float | None


@dataclass(slots=True)
class Way:
    """How the deliveries to one target stand."""

    tokens: float
    filled_s: float
    next_s: float = 0.0
    failures: int = 0


class Outbox:
    """The waiting messages. `counts` has "sent", "failed" and "dropped", for each target a message once; a failed
    try counts once however many messages were in it."""

    def __init__(
        self,
        notifications: Notifications,
        display: Display,
        site_name: str,
        file: OutboxFile,
        pace: Pace = USUAL_PACE,
        chance: Callable[[], float] = random.random,
    ) -> None:
        self._notifications, self._display, self._site_name = notifications, display, site_name
        self._file, self._pace, self._chance = file, pace, chance
        stored = file.load()
        known = frozenset(target.name for target in notifications.targets)
        left = (each._replace(targets=each.targets & known) for each in stored.waiting)
        self._waiting = [each for each in left if each.targets]
        self._first_number = stored.number + 1
        self._number = stored.number
        self.memory = stored.memory
        self._ways: dict[str, Way] = {}
        self._begun_s: float | None = None
        self._changed = False
        self.counts: Counter[str] = Counter(sent=0, failed=0, dropped=0)

    @property
    def waiting(self) -> int:
        """How many messages some target has not had yet."""
        return len(self._waiting)

    def add(self, messages: Iterable[Message], memory: Memory) -> None:
        """Take in what is to be told, and what is to be remembered of it, both stored at the next `save`."""
        for message in messages:
            targets = frozenset(each.name for each in self._notifications.targets if _wants(each, message.priority))
            if targets:
                self._number += 1
                short = message._replace(title=message.title[:LONGEST_TITLE], text=message.text[:LONGEST_TEXT])
                self._waiting.append(Waiting(self._number, short, targets))
                self._changed = True
        while len(self._waiting) > MOST_WAITING:
            self._drop(min(self._waiting, key=lambda each: (RANK[each.message.priority], each.number)))
        if memory != self.memory:
            self.memory, self._changed = memory, True

    def look(self, now_s: float, utc_s: float | None) -> None:
        """Let time pass: label messages of this run once UTC is known, and drop what is too old."""
        if self._begun_s is None:
            self._begin(now_s)
        if utc_s is not None:
            for place, each in enumerate(self._waiting):
                if each.message.utc_s is None and each.number >= self._first_number:
                    labelled = each.message._replace(utc_s=utc_s - (now_s - each.message.at_s))
                    self._waiting[place] = each._replace(message=labelled)
                    self._changed = True
        for each in [each for each in self._waiting if _age_s(each.message, now_s, utc_s) > _oldest_s(each)]:
            self._drop(each)

    def save(self) -> None:
        """Store what has changed; what could not be stored is tried again at the next call."""
        if self._changed:
            self._changed = not self._file.save(Stored(tuple(self._waiting), self._number, self.memory))

    def parcel(self, target: str, now_s: float, utc_s: float | None) -> Parcel | None:
        """What is to go to this target now, or None. Counts as one try against its rate."""
        if self._begun_s is None or now_s - self._begun_s < self._pace.first_s:
            return None
        way = self._ways[target]
        if now_s < way.next_s:
            return None
        due = [each for each in self._waiting if target in each.targets and not self._held(each.message, now_s, utc_s)]
        if not due or now_s - min(each.message.at_s for each in due) < self._pace.group_s:
            return None
        way.tokens = min(self._pace.burst, way.tokens + (now_s - way.filled_s) / self._pace.refill_s)
        way.filled_s = now_s
        if way.tokens < 1.0:
            return None
        way.tokens -= 1.0
        return self._packed(target, due, now_s, utc_s)

    def delivered(self, parcel: Parcel) -> None:
        """The target has taken it."""
        way = self._ways[parcel.target]
        way.failures, way.next_s = 0, 0.0
        left = []
        for each in self._waiting:
            if each.number in parcel.numbers and parcel.target in each.targets:
                each = each._replace(targets=each.targets - {parcel.target})
                self.counts["sent"] += 1
                self._changed = True
            if each.targets:
                left.append(each)
        self._waiting = left

    def failed(self, parcel: Parcel, now_s: float) -> None:
        """The target has not taken it: all of it waits for the next try."""
        way = self._ways[parcel.target]
        wait_s = min(self._pace.retry_s * 2.0 ** min(way.failures, 30), self._pace.longest_retry_s)
        way.next_s = now_s + wait_s * (1.0 - 0.5 * self._chance())
        way.failures += 1
        self.counts["failed"] += 1

    def _begin(self, now_s: float) -> None:
        """A service time line that begins anew, because its store was lost, must not hold anything back."""
        self._begun_s = now_s
        self._waiting = [
            each._replace(message=each.message._replace(at_s=min(each.message.at_s, now_s))) for each in self._waiting
        ]
        self._ways = {target.name: Way(self._pace.burst, now_s) for target in self._notifications.targets}

    def _held(self, message: Message, now_s: float, utc_s: float | None) -> bool:
        """Whether the message waits for the morning; where nobody knows the time, for some minutes to know it."""
        quiet = self._notifications
        if message.priority is Priority.HIGH or quiet.quiet_from is None or quiet.quiet_to is None:
            return False
        if utc_s is None:
            return now_s - message.at_s < self._pace.utc_patience_s
        return in_quiet_hours(utc_s, quiet.quiet_from, quiet.quiet_to, self._display.zone)

    def _packed(self, target: str, due: list[Waiting], now_s: float, utc_s: float | None) -> Parcel:
        ranked = sorted(due, key=lambda each: (-RANK[each.message.priority], each.number))
        first, newest = ranked[0].message, max(due).message
        numbers = frozenset(each.number for each in due)
        if len(due) == 1:
            lines = [first.text, self._when(ranked[0], now_s, utc_s)]
            title = first.title
        else:
            title = f"{first.title}, and {len(due) - 1} more"
            lines = [self._line(each, now_s, utc_s) for each in ranked[:MOST_IN_ONE]]
            if len(due) > MOST_IN_ONE:
                lines.append(f"And {len(due) - MOST_IN_ONE} more, for which there was no room.")
        text = "\n".join(line for line in lines if line)
        return Parcel(target, numbers, first.priority, f"{self._site_name}: {title}", text, newest.utc_s)

    def _line(self, each: Waiting, now_s: float, utc_s: float | None) -> str:
        message = each.message
        when = self._when(each, now_s, utc_s)
        text = message.text.replace("\n", "\n  ")
        return f"{when}, {message.priority.value}: {message.title}" + (f"\n  {text}" if text else "")

    def _when(self, each: Waiting, now_s: float, utc_s: float | None) -> str:
        """When it was, by the clock; where nobody knew the time, how long ago; never a made-up time."""
        message = each.message
        if message.utc_s is not None:
            return moment_text(message.utc_s, utc_s if utc_s is not None else message.utc_s, self._display)
        if each.number < self._first_number:
            return "before a restart, time not known"
        return f"{duration_text(now_s - message.at_s)} ago"

    def _drop(self, each: Waiting) -> None:
        self._waiting.remove(each)
        self.counts["dropped"] += len(each.targets)
        self._changed = True


def _wants(target: Target, priority: Priority) -> bool:
    return RANK[priority] >= RANK[Priority(target.least)]


def _age_s(message: Message, now_s: float, utc_s: float | None) -> float:
    by_service_s = now_s - message.at_s
    return by_service_s if utc_s is None or message.utc_s is None else max(by_service_s, utc_s - message.utc_s)


def _oldest_s(each: Waiting) -> float:
    return OLDEST_S[each.message.priority]
