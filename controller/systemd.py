"""What the service manager wants to know, by the protocol of sd_notify(3): ready, reloading, stopping, status, alive.

Without a service manager (no NOTIFY_SOCKET in the environment) nothing is sent and nothing is different.
"""

import logging
import os
import socket
from collections.abc import Mapping

from controller.clock import monotonic_us

LOG = logging.getLogger(__name__)

LONGEST_STATUS = 200


class ServiceManager:
    """The manager that `environment` names. Each method sends one datagram at most, never waits and never raises."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._status = ""
        self._complained = False
        self.watchdog_s = _watchdog_s(environment)

    def ready(self) -> None:
        """The first scan is over and everything was commanded off once; or a reload is over."""
        self._send("READY=1")

    def reloading(self) -> None:
        """The files are being read again; `ready` follows."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={monotonic_us()}")

    def stopping(self) -> None:
        """The service ends."""
        self._send("STOPPING=1")

    def scanned(self, status: str) -> None:
        """A scan has been done: feed the watchdog, if there is one, and say `status` if it has changed. Called by
        the scan alone, so that a scan that hangs is not fed for by anything that still lives."""
        lines = ["WATCHDOG=1"] if self.watchdog_s is not None else []
        status = " ".join(status.split())[:LONGEST_STATUS]
        if status != self._status:
            self._status = status
            lines.append(f"STATUS={status}")
        if lines:
            self._send("\n".join(lines))

    def _send(self, text: str) -> None:
        if not self._address:
            return
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
                line.setblocking(False)
                line.connect(address)
                line.send(text.encode())
        except OSError as error:
            if not self._complained:
                LOG.warning("the service manager cannot be told at %s: %s", self._address, error.strerror or error)
            self._complained = True


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """How often the manager wants to hear from us at least, s; None if it does not, or not from this process:
    sd_watchdog_enabled(3)."""
    lasting, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not lasting.isdecimal() or int(lasting) == 0 or (pid and pid != str(os.getpid())):
        return None
    return int(lasting) / 1e6
