"""A service manager for tests: it only listens, as sd_notify(3) has it."""

import os
import socket
import threading
from pathlib import Path
from types import TracebackType

WATCHDOG_S = 30.0


class Manager:
    """The datagram socket of a manager; `environment` is what it gives to its child."""

    def __init__(self, folder: Path) -> None:
        address = str(folder / "notify")
        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._line.bind(address)
        self._line.settimeout(0.1)
        self._lines: list[str] = []
        self._over = threading.Event()
        self._listener = threading.Thread(target=self._listen)
        self.environment = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": str(round(WATCHDOG_S * 1e6))}

    def __enter__(self) -> "Manager":
        self._listener.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._over.set()
        self._listener.join()
        self._line.close()
        os.unlink(self.environment["NOTIFY_SOCKET"])

    def turns(self) -> list[str]:
        """What was said of the service's life, in its order."""
        return [line for line in list(self._lines) if line.startswith(("READY", "RELOADING", "STOPPING"))]

    def count(self, line: str) -> int:
        """How often a line was said."""
        return self._lines.count(line)

    def status(self) -> str:
        """The newest status."""
        return next((line[7:] for line in reversed(list(self._lines)) if line.startswith("STATUS=")), "")

    def _listen(self) -> None:
        while not self._over.is_set():
            try:
                self._lines += self._line.recv(4096).decode().split("\n")
            except TimeoutError:
                continue
