"""Between two scans only the newest good reading of each probe counts, and requests have a bound."""

import pytest

from controller.control.decode import Reason
from controller.control.values import Action
from controller.field.inbox import MOST_REQUESTS, Inbox, Request, Requests
from controller.installation import Source

SOURCES = [
    Source("ale/wort", "node/1", "/ale", "C"),
    Source("lager/wort", "node/1", "/lager", "C"),
    Source("room/air", "room", "", "F", None),
    Source("bath/glycol", "bath", "/t", "C", "/at"),
]


@pytest.fixture
def inbox() -> Inbox:
    return Inbox(SOURCES)


def test_each_topic_is_subscribed_to_once(inbox: Inbox) -> None:
    assert inbox.topics == ("node/1", "room", "bath")


def test_the_newest_reading_of_each_probe_is_kept_until_it_is_taken(inbox: Inbox) -> None:
    inbox.put("node/1", b'{"ale": 19.0, "lager": 10.0}', False, 1.0, None)
    inbox.put("node/1", b'{"ale": 19.5}', False, 2.0, None)
    inbox.put("room", b"68", False, 3.0, None)
    taken = inbox.take()
    assert taken["ale/wort"] == (19.5, 2.0)
    assert taken["lager/wort"] == (10.0, 1.0)
    assert taken["room/air"].celsius == pytest.approx(20.0)
    assert inbox.overwritten == 1
    assert inbox.received == 3
    assert inbox.take() == {}


def test_a_bad_message_displaces_no_good_reading_and_is_counted(inbox: Inbox) -> None:
    inbox.put("room", b"68", False, 1.0, None)
    for payload in (b"nan", b"\xff", b"", b"unavailable"):
        inbox.put("room", payload, False, 2.0, None)
    assert inbox.take()["room/air"].at_s == 1.0
    assert inbox.refused == {
        ("room/air", Reason.NOT_FINITE): 1,
        ("room/air", Reason.NOT_UTF8): 1,
        ("room/air", Reason.NOT_JSON): 2,
    }
    assert inbox.last_refusal["room/air"] == (Reason.NOT_JSON, "unavailable")


def test_a_retained_message_is_never_a_reading_however_good_it_looks(inbox: Inbox) -> None:
    inbox.put("node/1", b'{"ale": 19.0, "lager": 10.0}', True, 1.0, None)
    assert inbox.take() == {}
    assert inbox.refused == {("ale/wort", Reason.RETAINED): 1, ("lager/wort", Reason.RETAINED): 1}


def test_a_reading_that_says_it_is_old_is_refused(inbox: Inbox) -> None:
    inbox.put("bath", b'{"t": -4.0, "at": 1760000000}', False, 1.0, 1_760_003_600.0)
    assert inbox.take() == {}
    assert inbox.refused == {("bath/glycol", Reason.TOO_OLD): 1}


def test_topics_outside_the_site_file_leave_no_trace(inbox: Inbox) -> None:
    for number in range(1000):
        inbox.put(f"other/{number}", b"19.0", False, 1.0, None)
    assert inbox.take() == {}
    assert inbox.received == 0
    assert not inbox.refused


def test_ten_thousand_messages_between_two_scans_leave_one_reading(inbox: Inbox) -> None:
    for number in range(10_000):
        inbox.put("room", b"%d" % (number % 100), False, float(number), None)
    assert list(inbox.take()) == ["room/air"]
    assert inbox.overwritten == 9_999


def test_requests_wait_in_order_and_one_too_many_is_refused() -> None:
    requests = Requests()
    wishes = [Request(Action(str(n), "ale", "hold", {}, "mqtt"), print) for n in range(MOST_REQUESTS + 1)]
    assert [requests.offer(wish) for wish in wishes] == [True] * MOST_REQUESTS + [False]
    assert requests.refused == 1
    assert requests.take() == tuple(wishes[:-1])
    assert requests.take() == ()
    assert requests.offer(wishes[-1])
