"""The simulated broker, held against the clauses of MQTT 5.0 (OASIS Standard, 7 March 2019) that each test names."""

import pytest

from tests.simulation.broker import Broker, Trouble, matches
from tests.simulation.network import (
    GOOD,
    KEEP_ALIVE_TIMEOUT,
    NO_SUBSCRIBERS,
    TAKEN_OVER,
    UNSPECIFIED,
    UNSUPPORTED_VERSION,
    Line,
    Message,
)
from tests.simulation.virtual import Calendar, Takes


class Client:
    """A client that notes what comes."""

    def __init__(self, net: "Net", name: str, *topics: str, will: Message | None = None, is_v5: bool = True) -> None:
        self.heard: list[tuple[str, bytes, bool, int]] = []
        self.at_s: list[float] = []
        self.acknowledged: list[int] = []
        self.answers: list[int] = []
        self.ended: list[int] = []
        self._net, self._topics = net, list(topics)
        self.line: Line = net.broker.connect(name, name, self, will, is_v5)
        net.go_on()

    def connack(self, code: int) -> None:
        self.answers.append(code)
        if code == GOOD and self._topics:
            self.line.subscribe(1, self._topics)

    def suback(self, number: int, codes: list[int]) -> None:
        assert codes == [1] * len(self._topics)

    def puback(self, number: int, code: int) -> None:
        self.acknowledged.append(code)

    def arrived(self, message: Message, retained: bool, copy: int) -> None:
        self.heard.append((message.topic, message.payload, retained, copy))
        self.at_s.append(self._net.calendar.now_s)

    def closed(self, code: int) -> None:
        self.ended.append(code)

    def publish(
        self, topic: str, payload: bytes = b"x", qos: int = 1, retain: bool = False, expiry_s: float | None = None
    ) -> None:
        self.line.publish(7, Message(topic, payload, qos, retain, expiry_s, sender="client"))
        self._net.go_on()


class Net:
    """A broker and its time."""

    def __init__(self, version: str = "5") -> None:
        self.calendar = Calendar()
        self.expired: list[str] = []
        self.broker = Broker(
            self.calendar, "seed", version, lambda message: None, lambda message, to: self.expired.append(to)
        )

    def go_on(self, seconds: float = 0.1) -> None:
        end_s = self.calendar.now_s + seconds
        while self.calendar.next_s <= end_s:
            self.calendar.do_next()
        self.calendar.now_s = end_s


def test_qos_1_is_acknowledged_and_the_publisher_learns_that_nobody_listens() -> None:
    """4.3.2; 3.4.2.1, reason code 0x10."""
    net = Net()
    sender = Client(net, "sender")
    sender.publish("a/b")
    listener = Client(net, "listener", "a/b")
    sender.publish("a/b")
    sender.publish("a/b", qos=0)
    assert sender.acknowledged == [NO_SUBSCRIBERS, GOOD]
    assert len(listener.heard) == 2


def test_an_older_broker_knows_no_such_reason_and_no_expiry() -> None:
    net = Net("3.1.1")
    sender = Client(net, "sender", is_v5=False)
    sender.publish("a/b", retain=True, expiry_s=5.0)
    net.go_on(10.0)
    assert sender.acknowledged == [GOOD]
    assert Client(net, "late", "a/b", is_v5=False).heard == [("a/b", b"x", True, 1)]


def test_a_client_of_mqtt_5_is_refused_by_an_older_broker() -> None:
    """3.2.2.2: 0x84, and the connection is closed."""
    net = Net("3.1.1")
    client = Client(net, "new")
    assert client.answers == [UNSUPPORTED_VERSION]
    assert len(client.ended) == 1


def test_a_message_that_has_waited_longer_than_its_expiry_is_not_sent() -> None:
    """3.3.2.3.3."""
    net = Net()
    sender, listener = Client(net, "sender"), Client(net, "listener", "a/b")
    net.broker.trouble = Trouble(delay_s=60.0)
    for _ in range(40):
        sender.publish("a/b", b"short", expiry_s=5.0)
        sender.publish("a/b", b"long", expiry_s=3600.0)
    net.go_on(200.0)
    heard = [payload for _, payload, _, _ in listener.heard]
    assert heard.count(b"long") == 40
    assert heard.count(b"short") + net.expired.count("listener") == 40
    assert net.expired


def test_a_retained_message_goes_to_new_subscriptions_with_its_flag_and_to_live_ones_without() -> None:
    """3.3.1.3."""
    net = Net()
    sender, live = Client(net, "sender"), Client(net, "live", "a/+")
    sender.publish("a/b", retain=True)
    late = Client(net, "late", "a/b")
    assert live.heard == [("a/b", b"x", False, 1)]
    assert late.heard == [("a/b", b"x", True, 1)]
    sender.publish("a/b", b"", retain=True)
    assert Client(net, "later", "a/b").heard == []


def test_a_retained_message_expires_too() -> None:
    """3.3.2.3.3."""
    net = Net()
    Client(net, "sender").publish("a/b", retain=True, expiry_s=5.0)
    net.go_on(6.0)
    assert Client(net, "late", "a/b").heard == []


@pytest.mark.parametrize(("goodbye", "heard"), [(True, []), (False, [("here", b"gone", False, 1)])])
def test_the_will_is_published_unless_the_client_said_goodbye(goodbye: bool, heard: list[object]) -> None:
    """3.1.2.5, 3.14.4."""
    net = Net()
    listener = Client(net, "listener", "here")
    client = Client(net, "client", will=Message("here", b"gone", 1))
    client.line.disconnect() if goodbye else client.line.abandon()
    net.go_on()
    assert listener.heard == heard


def test_a_machine_that_lost_its_power_is_missed_after_one_and_a_half_keepalives() -> None:
    """3.1.2.10; keepalive 10 s."""
    net = Net()
    listener = Client(net, "listener", "here")
    Client(net, "client", will=Message("here", b"gone", 1)).line.vanish()
    net.go_on(14.0)
    assert listener.heard == []
    net.go_on(2.0)
    assert len(listener.heard) == 1


def test_the_same_client_id_takes_the_session_over() -> None:
    """3.1.4-3: the old one is told 0x8E and closed; 3.1.2.5: its will is published."""
    net = Net()
    listener = Client(net, "listener", "here")
    first = Client(net, "one", "a/b", will=Message("here", b"gone", 1))
    second = Client(net, "one")
    assert first.ended == [TAKEN_OVER]
    assert second.answers == [GOOD]
    assert len(listener.heard) == 1
    Client(net, "sender").publish("a/b")
    assert first.heard == []
    assert second.heard == []  # it has subscribed to nothing: a session of its own


def test_not_every_broker_says_why() -> None:
    net = Net("5 without reasons")
    first = Client(net, "one")
    Client(net, "one")
    assert first.ended == [UNSPECIFIED]


def test_messages_keep_their_order_unless_the_story_says_otherwise() -> None:
    """4.6."""
    for reorder in (False, True):
        net = Net()
        sender, listener = Client(net, "sender"), Client(net, "listener", "a/b")
        net.broker.trouble = Trouble(delay_s=30.0, reorder=reorder)
        for number in range(20):
            sender.publish("a/b", b"%d" % number)
        net.go_on(100.0)
        heard = [int(payload) for _, payload, _, _ in listener.heard]
        assert sorted(heard) == list(range(20))
        assert (heard == sorted(heard)) is not reorder


def test_a_broker_repeats_and_drops_as_it_is_told() -> None:
    """4.3.2: at least once, with QoS 1; 4.3.1: at most once, with QoS 0."""
    net = Net()
    sender, listener = Client(net, "sender"), Client(net, "listener", "a/b", "q0")
    net.broker.trouble = Trouble(drop=0.5, repeat=0.5)
    for _ in range(100):
        sender.publish("a/b")
        sender.publish("q0", qos=0)
    net.go_on(100.0)
    copies = [copy for topic, _, _, copy in listener.heard if topic == "a/b"]
    assert 20 < copies.count(2) < 70
    assert copies.count(1) < 100
    assert 30 < sum(topic == "q0" for topic, _, _, _ in listener.heard) < 70


def test_a_broker_that_hung_passes_on_late_what_lay_in_its_buffers() -> None:
    net = Net()
    sender, listener = Client(net, "sender"), Client(net, "listener", "a/b")
    net.broker.stall()
    sender.publish("a/b")
    assert sender.acknowledged == []
    net.go_on(5.0)
    net.broker.go_on()
    net.go_on()
    assert len(listener.heard) == 1
    assert sender.acknowledged == [GOOD]


def test_clients_give_up_a_broker_that_hangs_one_to_two_keepalives_later() -> None:
    net = Net()
    client = Client(net, "client")
    net.broker.stall()
    net.go_on(9.9)
    assert client.ended == []
    net.go_on(10.2)
    assert client.ended == [KEEP_ALIVE_TIMEOUT]


def test_a_restart_forgets_sessions_and_perhaps_what_was_retained() -> None:
    for keeps, expected in ((True, 1), (False, 0)):
        net = Net()
        client = Client(net, "client", "a/b")
        client.publish("r", retain=True)
        net.broker.shut_down()
        net.go_on()
        assert client.ended == [UNSPECIFIED]
        with pytest.raises(ConnectionRefusedError):
            net.broker.connect("x", "x", client)
        net.broker.start(keeps)
        assert not net.broker.connected("client")
        assert len(Client(net, "late", "r").heard) == expected


def test_a_cut_network_holds_what_was_sent_for_as_long_as_a_machine_tries() -> None:
    net = Net()
    sender, listener = Client(net, "sender"), Client(net, "listener", "a/b")
    net.broker.cut("sender")
    sender.publish("a/b", b"soon")
    net.go_on(5.0)
    net.broker.heal("sender")
    net.go_on()
    assert [payload for _, payload, _, _ in listener.heard] == [b"soon"]
    net.broker.cut("sender")
    with pytest.raises(Takes):
        net.broker.connect("x", "sender", sender)
    sender.publish("a/b", b"never")
    net.go_on(25.0)
    net.broker.heal("sender")
    net.go_on(1.0)
    assert sender.ended == [KEEP_ALIVE_TIMEOUT]
    assert len(listener.heard) == 1


def test_who_was_given_up_while_cut_off_learns_of_it_when_the_network_is_whole() -> None:
    """RFC 9293, 3.10.7.1: what comes for a connection that is no more is answered with a reset."""
    for name in ("s1", "s2", "s3", "s4", "s5", "s6"):
        net = Net()
        client = Client(net, name)
        net.broker.cut(name)
        net.go_on(16.0)
        assert not net.broker.connected(name)
        net.broker.heal(name)
        net.go_on(1.0)
        assert len(client.ended) == 1


@pytest.mark.parametrize(
    ("pattern", "topic", "matched"),
    [
        ("a/b", "a/b", True),
        ("a/b", "a/b/c", False),
        ("a/+/c", "a/b/c", True),
        ("a/+", "a/b/c", False),
        ("a/#", "a/b/c", True),
        ("a/#", "a", True),
        ("+", "a/b", False),
    ],
)
def test_topic_filters(pattern: str, topic: str, matched: bool) -> None:
    """4.7.1: the examples of the standard."""
    assert matches(pattern.split("/"), topic) is matched
