"""Names and payloads of the service's own topics, `cellarhand/<site>/...`. Pure: bytes in, values out.

cellarhand/<site>/availability      "online" or, by last will, "offline"; retained
cellarhand/<site>/<vessel>/state    JSON; retained
cellarhand/<site>/<vessel>/set      an operator's action as JSON: {"id", "do", "expects", arguments...}
cellarhand/<site>/<vessel>/reply    its answer: {"id", "answer"}
"""

import json
import math
import re
from collections.abc import Mapping

from controller.control.decode import without_repeats
from controller.control.values import Action

ROOT = "cellarhand"
ONLINE = b"online"
OFFLINE = b"offline"
LARGEST_ACTION_BYTES = 4096
MOST_ARGUMENTS = 16
LONGEST_TEXT = 200
LONGEST_ID = 64


def availability_topic(site: str) -> str:
    """Where "online" and "offline" stand."""
    return f"{ROOT}/{site}/availability"


def driver_topic(site: str) -> str:
    """Where the daemon that drives the site has left its token."""
    return f"{ROOT}/{site}/driver"


def driving(token: str) -> bytes:
    """A daemon's claim on the site."""
    return f"driving {token}".encode()


def is_claim(payload: bytes) -> bool:
    """Whether the payload is some daemon's claim; anything else on that topic means nothing."""
    return re.fullmatch(rb"driving [0-9a-f]{32}", payload) is not None


def state_topic(site: str, vessel: str) -> str:
    """Where a vessel's state stands."""
    return f"{ROOT}/{site}/{vessel}/state"


def set_filter(site: str) -> str:
    """The topic filter for actions of all vessels, also of unknown ones: those are answered with a reason."""
    return f"{ROOT}/{site}/+/set"


def reply_topic(site: str, vessel: str, asked: str | None = None) -> str:
    """Where the answer to an action goes: the vessel's reply topic, or the MQTT 5 response topic `asked` if it
    is that topic or lies below it. Any other is not obeyed, since an answer must not become a message to a device."""
    own = f"{ROOT}/{site}/{vessel}/reply"
    if asked and asked.startswith(own + "/") and not set(asked) & set("+#\0"):
        return asked
    return own


def vessel_of(site: str, topic: str) -> str | None:
    """The vessel whose `set` topic this is, or None."""
    start, end = f"{ROOT}/{site}/", "/set"
    name = topic[len(start) : -len(end)]
    return name if topic == start + name + end and name and "/" not in name else None


def state_payload(state: Mapping[str, object]) -> bytes:
    """A vessel's state as JSON (RFC 8259). Raises ValueError for NaN and infinity, which JSON does not have."""
    return json.dumps(state, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def reply_payload(action_id: str, answer: str) -> bytes:
    """The answer to an action. The id is "" where the action was so wrong that it had none."""
    return json.dumps({"id": action_id, "answer": answer}, ensure_ascii=True).encode()


def action_id(payload: bytes) -> str:
    """The id in the payload of a refused action, for its answer; "" if there is none to be read."""
    document = _document(payload)
    found = document.get("id") if isinstance(document, dict) else None
    return found if isinstance(found, str) and _is_id(found) else ""


def parse_action(vessel: str, payload: bytes, retained: bool) -> Action | str:
    """The action that an operator published for a vessel, or why it is refused, in the operator's words.

    The payload is a JSON object of at most 4096 bytes with "id" (1 to 64 printable characters, new for each
    action) and "do"; "expects" names the batch state that the operator saw. All other keys are arguments:
    texts of at most 200 characters, finite numbers, true or false, at most 16. Whether the vessel and
    the verb exist, and whether the id is a repeated one, is for the core to say.
    """
    if retained:
        return "a retained action is from an earlier time; publish it without the retain flag; nothing was changed"
    document = _document(payload)
    if isinstance(document, str):
        return f"{document}; nothing was changed"
    name, verb, expects = (document.pop(key, "") for key in ("id", "do", "expects"))
    if not isinstance(name, str) or not _is_id(name):
        return '"id" must be a text of 1 to 64 printable characters, new for each action; nothing was changed'
    if not isinstance(verb, str) or not 0 < len(verb) <= LONGEST_TEXT:
        return '"do" must be a text that names the action; nothing was changed'
    if not isinstance(expects, str) or len(expects) > LONGEST_TEXT:
        return '"expects" must be the batch state that you saw, as text; nothing was changed'
    if len(document) > MOST_ARGUMENTS:
        return f"{len(document)} arguments are more than {MOST_ARGUMENTS}; nothing was changed"
    for key, value in document.items():
        if not _is_argument(value):
            return (
                f'the argument "{key[:40]}" must be a finite number, true, false or a text of at most '
                f"{LONGEST_TEXT} characters; nothing was changed"
            )
    return Action(name, vessel, verb, document, "mqtt", expects)


def _document(payload: bytes) -> dict[str, str | float | bool] | str:
    """The JSON object in the payload, whose values are still to be checked, or what is wrong with it."""
    if len(payload) > LARGEST_ACTION_BYTES:
        return f"an action of {len(payload)} bytes is larger than {LARGEST_ACTION_BYTES}"
    try:
        document = json.loads(payload.decode("utf-8"), parse_int=float, object_pairs_hook=without_repeats)
    except (ValueError, RecursionError) as error:
        return f"the action is not JSON ({str(error)[:80]})"
    return (
        document if isinstance(document, dict) else 'the action is not a JSON object such as {"id": "1", "do": "hold"}'
    )


def _is_id(text: str) -> bool:
    return 0 < len(text) <= LONGEST_ID and text.isprintable()


def _is_argument(value: object) -> bool:
    if isinstance(value, str):
        return len(value) <= LONGEST_TEXT
    return isinstance(value, bool) or (isinstance(value, float) and math.isfinite(value))
