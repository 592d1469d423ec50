"""What operators ask, by MQTT or on the operator socket, on its way to the core, and the answers on their way back."""

from collections import Counter
from collections.abc import Callable, Iterable

from controller.control.values import Action, Record, RecordKind
from controller.field.inbox import Request, Requests
from controller.field.link import Arrived
from controller.field.own_topics import action_id, parse_action, reply_payload, reply_topic, vessel_of
from controller.publications import Publications


class Operators:
    """The queue of wishes that each scan takes. `refused` counts by reason those that never came there."""

    def __init__(self, site: str, publications: Publications) -> None:
        self._site, self._publications = site, publications
        self._requests = Requests()
        self.refused: Counter[str] = Counter()

    def offer(self, action: Action, answer: Callable[[str], None]) -> bool:
        """Queue a wish; `answer` gets its answer after the next scan. False when the queue is full."""
        taken = self._requests.offer(Request(action, answer))
        self.refused["too many actions"] += not taken
        return taken

    def take(self) -> tuple[Request, ...]:
        """All that wait, oldest first."""
        return self._requests.take()

    def answer(self, requests: Iterable[Request], records: Iterable[Record]) -> None:
        """Tell each operator what became of the wish, as the scan's records have it."""
        answers = {record.subject: record for record in records if record.kind is RecordKind.ACTION}
        for request in requests:
            record = answers.get(request.action.id)
            request.answer(record.reason if record else "the action was not answered; look at the log")

    def hear(self, message: Arrived) -> bool:
        """Take an MQTT message if it is a wish. True if its topic is one for wishes."""
        vessel = vessel_of(self._site, message.topic)
        if vessel is None:
            return False
        topic = reply_topic(self._site, vessel, message.reply_to)
        action = parse_action(vessel, message.payload, message.retained)

        def answer(text: str) -> None:
            name = action.id if isinstance(action, Action) else action_id(message.payload)
            self._publications.offer(topic, reply_payload(name, text), False, message.correlation)

        if not isinstance(action, Action):
            self.refused["action"] += 1
            answer(f"refused: {action}")
        elif not self.offer(action, answer):
            answer("refused: too many actions at once; wait for the answers; nothing was changed")
        return True
