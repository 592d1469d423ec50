"""How one parcel reaches one target: a plain webhook through the standard library, all else through Apprise.

Blocking: to be called in a thread of its own. Apprise is an extra (`[notify]`) and is loaded only when a target needs
it; it costs about 20 MB and a tenth of a second.
"""

import json
import logging
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from controller.control.alarm_list import Priority
from controller.hmi.notifier_http import CallFailed, call
from controller.hmi.outbox import Parcel

# What these write at DEBUG, and on bad addresses at ERROR, quotes addresses and tokens.
TALKATIVE = ("apprise", "urllib3", "requests", "requests_oauthlib", "oauthlib")


def is_webhook(url: str) -> bool:
    """Whether the address needs no Apprise."""
    return url.lower().startswith(("http://", "https://"))


def send(url: str, site_name: str, parcel: Parcel) -> None:
    """Deliver; returns when the other side has taken it.

    Raises:
        CallFailed: it has not; the text does not quote the address.
    """
    if is_webhook(url):
        call(url, webhook_body(site_name, parcel))
        return
    apprise, sender = _sender(url)
    kinds: Mapping[Priority, Any] = {
        Priority.HIGH: apprise.NotifyType.FAILURE,
        Priority.MEDIUM: apprise.NotifyType.WARNING,
        Priority.LOW: apprise.NotifyType.INFO,
    }
    plain = apprise.NotifyFormat.TEXT
    try:
        taken = sender.notify(
            body=parcel.text or parcel.title, title=parcel.title, notify_type=kinds[parcel.priority], body_format=plain
        )
    except Exception as error:  # any of its many services; its text may quote the address
        raise CallFailed(f"Apprise failed ({type(error).__name__})") from None
    if not taken:
        raise CallFailed("Apprise could not deliver it (its own command, apprise -v, tells why)")


def webhook_body(site_name: str, parcel: Parcel) -> bytes:
    """The JSON object that a webhook gets: title, message, priority, site, and time (UTC by RFC 3339, or null)."""
    when = None if parcel.utc_s is None else datetime.fromtimestamp(int(parcel.utc_s), UTC)
    body = {
        "title": parcel.title,
        "message": parcel.text,
        "priority": parcel.priority.value,
        "site": site_name,
        "time": None if when is None else when.strftime("%Y-%m-%dT%H:%M:%SZ"),
    }
    return json.dumps(body).encode()


def target_fault(url: str) -> str:
    """Why this address can never be sent to, or "". Loads Apprise for all but webhooks; sends nothing."""
    if is_webhook(url):
        return ""
    try:
        _sender(url)
    except CallFailed as fault:
        return str(fault)
    return ""


def _sender(url: str) -> tuple[Any, Any]:
    for name in TALKATIVE:
        logging.getLogger(name).setLevel(logging.CRITICAL + 10)
    try:
        import apprise
    except ImportError:
        raise CallFailed("it needs Apprise: pip install 'cellarhand[notify]'", lasting=True) from None
    sender = apprise.Apprise()
    try:
        understood = bool(sender.add(url)) and len(sender) == 1
    except Exception as error:  # any of its many services; its text may quote the address
        raise CallFailed(f"Apprise failed ({type(error).__name__})") from None
    if not understood:
        raise CallFailed("Apprise does not understand its address", lasting=True)
    return apprise, sender
