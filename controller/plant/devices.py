"""Outputs as devices: a relay with a timer of its own, which obeys only newer commands."""

import math

from controller.control.values import Command


class Device:
    """One relay with a pump, valve or heater behind it. `on` is where the contacts are, `works` whether
    what hangs on them moves anything; `starts` and `on_s` count closings and closed time."""

    __slots__ = ("_last", "ends_s", "ignored", "on", "on_s", "starts", "tag", "welded", "works")

    def __init__(self, tag: str) -> None:
        self.tag = tag
        self.on = False
        self.ends_s = math.inf  # when the timer opens the contacts
        self.welded: bool | None = None
        self.works = True
        self.starts = 0
        self.on_s = 0.0
        self.ignored = 0
        self._last = (-1, -1)

    def obey(self, command: Command, now_s: float) -> None:
        """Take a command; one whose (epoch, number) is not higher than the last is counted and ignored."""
        stamp = (command.epoch, command.number)
        if not stamp > self._last:
            self.ignored += 1
            return
        self._last = stamp
        lives = command.on and command.lifetime_s > 0.0
        self.ends_s = now_s + command.lifetime_s if lives else math.inf
        self._switch(lives)

    def tick(self, now_s: float) -> None:
        """Open the contacts when the lifetime of an `on` has passed."""
        if now_s >= self.ends_s:
            self.ends_s = math.inf
            self._switch(False)

    def weld(self, on: bool | None) -> None:
        """Hold the contacts closed (True) or open (False) whatever is commanded; None mends them, open."""
        self.welded = on
        self._switch(False)

    def _switch(self, on: bool) -> None:
        contacts = on if self.welded is None else self.welded
        if contacts and not self.on:
            self.starts += 1
        self.on = contacts
