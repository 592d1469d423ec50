"""Messages on their way, with time passed in: grouping, quiet hours, another try, and what a power cut leaves.

How fast is common practice, no source; that a message arrives at least once is what the outbox is for."""

import json
import logging
import os
import random
from collections.abc import Callable
from datetime import time as clock
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.control.alarm_list import Priority
from controller.hmi.messages import Memory, Message, Told
from controller.hmi.outbox import MOST_IN_ONE, MOST_WAITING, Outbox, Parcel
from controller.hmi.outbox_file import NAME, OutboxFile
from controller.installation import Notifications, Target
from tests.hmi.told_cellar import DAY, DISPLAY, HOUR, MINUTE, utc

LOW, MEDIUM, HIGH = Priority.LOW, Priority.MEDIUM, Priority.HIGH
PHONE = Target("phone", "https://phone.invalid/secret", "low")
PAGER = Target("pager", "https://pager.invalid/secret", "high")
NO_MEMORY = Memory()


class Post:
    """An outbox and the time of its cellar: the service's, and UTC where `utc_s` is given at its start."""

    def __init__(
        self,
        path: Path,
        targets: tuple[Target, ...] = (PHONE,),
        quiet: tuple[clock, clock] | tuple[None, None] = (None, None),
        utc_s: float | None = None,
        now_s: float = 0.0,
        chance: Callable[[], float] = lambda: 0.0,
    ) -> None:
        notifications = Notifications(targets, *quiet)
        self.box = Outbox(notifications, DISPLAY, "cellar", OutboxFile(path), chance=chance)
        self.now_s, self.utc_s = now_s, utc_s
        self.box.look(now_s, utc_s)

    def add(self, title: str, priority: Priority = MEDIUM, text: str = "") -> None:
        """Something is to be told."""
        self.box.add([Message(priority, title, text, self.now_s, self.utc_s)], self.box.memory)
        self.box.save()

    def after(self, seconds: float, target: str = "phone") -> Parcel | None:
        """What goes to the target so much later."""
        self.now_s += seconds
        self.utc_s = None if self.utc_s is None else self.utc_s + seconds
        self.box.look(self.now_s, self.utc_s)
        parcel = self.box.parcel(target, self.now_s, self.utc_s)
        self.box.save()
        return parcel

    def sent(self, parcel: Parcel | None) -> Parcel:
        """It has arrived."""
        assert parcel is not None
        self.box.delivered(parcel)
        self.box.save()
        return parcel


def test_what_comes_together_goes_together_the_urgent_first(tmp_path: Path) -> None:
    post = Post(tmp_path, utc_s=utc("2026-11-03 18:00"))
    post.after(HOUR)
    post.add("ale: the step rest has begun", LOW, "House Pale, wort 21.0 °C")
    assert post.after(10) is None
    post.add("lager: the wort is above its absolute high limit", HIGH)
    post.add("bath: warm", MEDIUM)
    parcel = post.sent(post.after(20))
    assert parcel.priority is HIGH
    assert parcel.title == "cellar: lager: the wort is above its absolute high limit, and 2 more"
    assert parcel.text.splitlines() == [
        "19:00, high: lager: the wort is above its absolute high limit",
        "19:00, medium: bath: warm",
        "19:00, low: ale: the step rest has begun",
        "  House Pale, wort 21.0 °C",
    ]
    assert post.after(HOUR) is None
    assert post.box.counts == {"sent": 3, "failed": 0, "dropped": 0}
    assert post.box.waiting == 0


def test_after_a_start_everything_of_the_first_minute_and_a_half_is_one_message(tmp_path: Path) -> None:
    post = Post(tmp_path)
    post.add("ale: no signal", HIGH)
    assert post.after(60) is None
    post.add("running again after 5 h without control")
    assert len(post.sent(post.after(30)).numbers) == 2


def test_a_target_gets_only_what_is_urgent_enough_for_it(tmp_path: Path) -> None:
    post = Post(tmp_path, (PHONE, PAGER))
    post.after(HOUR)
    post.add("ale: the step rest has begun", LOW)
    assert post.after(MINUTE, "pager") is None
    post.add("ale: the wort is above its absolute high limit", HIGH)
    post.after(MINUTE)
    assert len(post.sent(post.after(0, "pager")).numbers) == 1
    assert post.box.waiting == 2  # the phone has had neither


def test_a_message_that_nobody_wants_does_not_wait(tmp_path: Path) -> None:
    post = Post(tmp_path, (PAGER,))
    post.add("ale: the step rest has begun", LOW)
    assert post.box.waiting == 0


def test_at_night_only_what_is_urgent_goes_out_the_rest_comes_in_the_morning_in_one(tmp_path: Path) -> None:
    post = Post(tmp_path, quiet=(clock(22), clock(7)), utc_s=utc("2026-11-03 23:00"))
    post.after(HOUR)
    post.add("ale asks: is the yeast pitched?", MEDIUM)
    post.add("ale: the step rest has begun", LOW)
    post.after(HOUR)
    post.add("lager: the wort is above its absolute high limit", HIGH)
    assert post.sent(post.after(HOUR)).title == "cellar: lager: the wort is above its absolute high limit"
    assert post.after(4 * HOUR + 59 * MINUTE) is None  # 06:59
    parcel = post.sent(post.after(MINUTE))
    assert parcel.text.splitlines() == [
        "00:00, medium: ale asks: is the yeast pitched?",
        "00:00, low: ale: the step rest has begun",
    ]


def test_where_nobody_knows_whether_it_is_night_what_can_wait_waits_some_minutes(tmp_path: Path) -> None:
    post = Post(tmp_path, quiet=(clock(22), clock(7)))
    post.after(HOUR)
    post.add("ale asks: is the yeast pitched?", MEDIUM)
    assert post.after(9 * MINUTE) is None
    assert post.after(2 * MINUTE) is not None


def test_after_a_failure_the_next_try_waits_longer_and_longer_up_to_an_hour(tmp_path: Path) -> None:
    post = Post(tmp_path)
    post.after(HOUR)
    post.add("ale: the wort is above its absolute high limit", HIGH)
    waits = []
    parcel = post.after(30)
    for _ in range(12):
        assert parcel is not None
        post.box.failed(parcel, post.now_s)
        failed_s, parcel = post.now_s, None
        while parcel is None:
            parcel = post.after(5)
        waits.append(post.now_s - failed_s)
    assert waits[:5] == [10, 20, 40, 80, 160]
    assert waits[-3:] == [3600, 3600, 3600]
    assert post.box.counts["failed"] == 12
    post.sent(parcel)
    assert post.box.counts["sent"] == 1


def test_the_next_trouble_begins_with_short_waits_again(tmp_path: Path) -> None:
    post = Post(tmp_path)
    post.after(HOUR)
    for _ in range(2):
        post.add("ale: warm", HIGH)
        for wait_s in (30, 10, 20, 40, 80):
            parcel = post.after(wait_s)
            assert parcel is not None
            post.box.failed(parcel, post.now_s)
        post.sent(post.after(160))
        post.after(HOUR)


def test_two_cellars_that_lost_the_same_network_do_not_come_back_in_step(tmp_path: Path) -> None:
    waits = []
    for chance in (0.0, 1.0):
        post = Post(tmp_path / str(chance), chance=lambda chance=chance: chance)
        post.after(HOUR)
        post.add("ale: warm", HIGH)
        parcel = post.after(30)
        assert parcel is not None
        post.box.failed(parcel, post.now_s)
        failed_s, parcel = post.now_s, None
        while parcel is None:
            parcel = post.after(1)
        waits.append(post.now_s - failed_s)
    assert waits == [10, 5]


def test_after_five_in_a_row_there_is_one_a_minute_and_what_waits_goes_together(tmp_path: Path) -> None:
    post = Post(tmp_path)
    post.after(HOUR)
    parcels = []
    for second in range(20 * 60):
        if second % 10 == 0:
            post.add(f"news {second}")
        parcel = post.after(1)
        if parcel is not None:
            parcels.append((second, post.sent(parcel)))
    times = [second for second, _ in parcels]
    assert times[4] < 180
    gaps = [later - earlier for earlier, later in pairwise(times[12:])]
    assert set(gaps) == {60}
    assert len(parcels[-1][1].numbers) == 6
    assert sum(len(parcel.numbers) for _, parcel in parcels) + post.box.waiting == 120


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0.0, 300.0), st.booleans(), st.booleans()), max_size=80), st.randoms())
def test_no_rush_of_messages_gets_past_the_rate_and_none_is_forgotten(
    tmp_path_factory: pytest.TempPathFactory,
    happenings: list[tuple[float, bool, bool]],
    dice: random.Random,
) -> None:
    post = Post(tmp_path_factory.mktemp("rush"), chance=dice.random)
    tries, arrived, made = [], set(), 0
    for wait_s, news, works in happenings:
        if news:
            post.add(f"news {made}", HIGH)
            made += 1
        parcel = post.after(wait_s)
        if parcel is not None:
            tries.append(post.now_s)
            if works:
                arrived |= post.sent(parcel).numbers
            else:
                post.box.failed(parcel, post.now_s)
    for first in range(len(tries)):
        for last in range(first, len(tries)):
            assert last - first + 1 <= 5 + (tries[last] - tries[first]) / 60.0 + 1e-6
    assert len(arrived) + post.box.waiting == made
    while (parcel := post.after(2 * HOUR)) is not None:
        arrived |= post.sent(parcel).numbers
    assert len(arrived) == made


def test_what_is_too_old_to_help_is_dropped_and_counted(tmp_path: Path) -> None:
    post = Post(tmp_path, utc_s=utc("2026-11-03 12:00"))
    for priority in (LOW, MEDIUM, HIGH):
        post.add(priority.value, priority)
    left = {}
    for day in range(1, 9):
        post.after(DAY)
        left[day] = post.box.waiting
    assert left == {1: 3, 2: 2, 3: 2, 4: 1, 5: 1, 6: 1, 7: 1, 8: 0}
    assert post.box.counts["dropped"] == 3


def test_time_in_a_power_cut_counts_for_the_age(tmp_path: Path) -> None:
    Post(tmp_path, utc_s=utc("2026-11-03 12:00")).add("ale: the step rest has begun", LOW)
    later = Post(tmp_path, utc_s=utc("2026-11-05 12:00"), now_s=MINUTE)
    assert later.box.waiting == 0


def test_a_full_outbox_lets_the_oldest_of_the_least_urgent_go_first(tmp_path: Path) -> None:
    post = Post(tmp_path)
    post.add("the urgent one", HIGH)
    post.add("an old low one", LOW)
    more = [Message(MEDIUM, f"medium {number}", "", 0.0, None) for number in range(MOST_WAITING - 2)]
    post.box.add(more, post.box.memory)
    assert post.box.counts["dropped"] == 0
    post.add("a new low one", LOW)
    post.add("another medium one", MEDIUM)
    assert post.box.waiting == MOST_WAITING
    assert post.box.counts["dropped"] == 2
    parcel = post.after(HOUR)
    assert parcel is not None
    assert "the urgent one" in parcel.title
    assert len(parcel.numbers) == MOST_WAITING
    assert len(parcel.text.splitlines()) == MOST_IN_ONE + 1
    assert parcel.text.endswith(f"And {MOST_WAITING - MOST_IN_ONE} more, for which there was no room.")
    assert "low one" not in (tmp_path / NAME).read_text()


def test_messages_that_wait_survive_a_power_cut(tmp_path: Path) -> None:
    memory = Memory({"ale/high": Told(3.0, 4.0, "ale: warm", True, 1, 2, 900.0)})
    before = Post(tmp_path, (PHONE, PAGER), utc_s=utc("2026-11-03 18:04"))
    before.box.add([Message(HIGH, "ale: warm", "29.1 °C", 0.0, before.utc_s)], memory)
    before.box.save()
    after = Post(tmp_path, (PHONE, PAGER), utc_s=utc("2026-11-03 20:00"), now_s=5.0)
    assert after.box.memory == memory
    parcel = after.sent(after.after(2 * MINUTE))
    assert parcel.title == "cellar: ale: warm"
    assert parcel.text == "29.1 °C\n18:04"
    again = Post(tmp_path, (PHONE, PAGER), now_s=200.0)
    assert again.after(2 * MINUTE, "phone") is None
    assert again.after(2 * MINUTE, "pager") is not None


def test_a_death_between_sending_and_marking_sends_it_twice_not_never(tmp_path: Path) -> None:
    before = Post(tmp_path)
    before.add("ale: warm", HIGH)
    first = before.after(2 * MINUTE)  # sent, and the service dies here
    second = Post(tmp_path, now_s=before.now_s).after(2 * MINUTE)
    assert first is not None
    assert second is not None
    assert first.numbers == second.numbers
    assert first.title == second.title


def test_numbers_are_not_used_again_after_a_restart(tmp_path: Path) -> None:
    before = Post(tmp_path)
    before.add("one", HIGH)
    first = before.sent(before.after(2 * MINUTE))
    after = Post(tmp_path, now_s=before.now_s)
    after.add("two", HIGH)
    assert after.sent(after.after(2 * MINUTE)).numbers.isdisjoint(first.numbers)


def test_a_target_that_was_taken_out_of_the_file_is_not_waited_for(tmp_path: Path) -> None:
    Post(tmp_path, (PHONE, PAGER)).add("ale: warm", HIGH)
    assert Post(tmp_path, (PAGER,)).box.waiting == 1
    assert Post(tmp_path, (Target("new", "https://new.invalid", "low"),)).box.waiting == 0


def test_a_time_line_that_begins_anew_holds_nothing_back(tmp_path: Path) -> None:
    before = Post(tmp_path, now_s=30 * DAY)
    before.add("ale: warm", HIGH)
    assert Post(tmp_path, now_s=0.0).after(2 * MINUTE) is not None


def test_a_message_gets_its_time_when_utc_becomes_known(tmp_path: Path) -> None:
    post = Post(tmp_path)
    post.after(HOUR)
    post.add("ale: warm", HIGH)
    post.after(5)
    post.utc_s = utc("2026-11-03 18:04")
    parcel = post.after(60)
    assert parcel is not None
    assert parcel.text == "18:03"
    assert parcel.utc_s == utc("2026-11-03 18:04") - 5


def test_without_utc_a_message_says_how_long_ago_it_was_and_no_time_of_day(tmp_path: Path) -> None:
    post = Post(tmp_path)
    post.after(HOUR)
    post.add("ale: warm", HIGH)
    parcel = post.after(10 * MINUTE)
    assert parcel is not None
    assert (parcel.text, parcel.utc_s) == ("10 min ago", None)
    restarted = Post(tmp_path, now_s=post.now_s, utc_s=utc("2026-11-05 18:00")).after(2 * MINUTE)
    assert restarted is not None
    assert (restarted.text, restarted.utc_s) == ("before a restart, time not known", None)


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"{",
        b"[]",
        b"\xff\xfe",
        b"null",
        b'{"version":1}',
        b'{"version":2,"number":0,"waiting":[],"told":{},"daily":null}',
        b'{"version":1,"number":0,"waiting":[{"number":1}],"told":{},"daily":null}',
        b'{"version":1,"number":0,"waiting":[],"told":{"a":{"raised_s":0,"said_s":NaN,"title":"","stands":true,'
        b'"more":0,"repeats":0,"hold_s":9}},"daily":null}',
        b'{"version":1,"number":1,"waiting":[{"number":1,"targets":["phone"],"priority":"high","title":"","text":"",'
        b'"at_s":1e300,"utc_s":null}],"told":{},"daily":null}',
        b'{"version":1,"number":1e999,"waiting":[],"told":{},"daily":null}',
        b"[" * 100_000,
    ],
)
def test_a_damaged_outbox_is_moved_aside_and_work_goes_on(
    tmp_path: Path, damage: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / NAME).write_bytes(damage)
    post = Post(tmp_path)
    assert [record.levelno for record in caplog.records] == [logging.WARNING]
    assert "damaged" in caplog.text
    assert (tmp_path / "outbox.damaged").read_bytes() == damage
    post.add("ale: warm", HIGH)
    assert Post(tmp_path).box.waiting == 1


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_an_outbox_cut_or_overwritten_anywhere_never_stops_the_service(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("cut")
    post = Post(path)
    post.add("ale: warm", HIGH)
    whole = (path / NAME).read_bytes()
    place = data.draw(st.integers(0, len(whole) - 1))
    rest = data.draw(st.binary(max_size=20))
    (path / NAME).write_bytes(whole[:place] + rest + data.draw(st.sampled_from([b"", whole[place + len(rest) :]])))
    again = Post(path)
    again.add("lager: warm", HIGH)
    assert again.after(2 * MINUTE) is not None


def test_a_disk_that_cannot_be_written_is_told_once_and_messages_go_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    caplog.set_level(logging.INFO)
    post = Post(tmp_path)

    def full(handle: int) -> None:
        raise OSError(28, os.strerror(28))

    with monkeypatch.context() as broken:
        broken.setattr(os, "fsync", full)
        post.add("ale: warm", HIGH)
        post.add("lager: warm", HIGH)
        assert post.after(2 * MINUTE) is not None
        assert [record.message.split(": ", 1)[1] for record in caplog.records] == [
            "No space left on device; they go on from memory"
        ]
    post.after(5)
    assert caplog.records[-1].message == "waiting messages are stored again"
    assert Post(tmp_path).box.waiting == 2


def test_a_state_directory_that_is_not_there_is_survived(tmp_path: Path) -> None:
    post = Post(tmp_path / "gone" / "away")
    post.add("ale: warm", HIGH)
    assert post.after(2 * MINUTE) is not None


def test_the_file_is_for_nobody_else_and_has_no_address_in_it(tmp_path: Path) -> None:
    Post(tmp_path).add("ale: warm", HIGH)
    assert (tmp_path / NAME).stat().st_mode & 0o077 == 0
    assert "secret" not in (tmp_path / NAME).read_text()
    assert [path.name for path in tmp_path.iterdir()] == [NAME]
    assert json.loads((tmp_path / NAME).read_text())["version"] == 1


def test_nothing_is_written_while_nothing_happens(tmp_path: Path) -> None:
    post = Post(tmp_path)
    post.add("ale: warm", HIGH)
    written_ns = (tmp_path / NAME).stat().st_mtime_ns
    for _ in range(100):
        post.after(0.1)
    assert (tmp_path / NAME).stat().st_mtime_ns == written_ns
