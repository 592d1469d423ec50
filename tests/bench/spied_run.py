"""`cellarhand run` with a note in a file of each command at the moment it is issued: `spied_run NOTES run --site FILE`.

A node's command carries no time of its own; the notes say how old one is when a device hears it. Nothing else differs.
"""

import sys
from collections.abc import Sequence
from time import monotonic
from typing import Any

from controller.cli import main
from controller.control.values import Command
from controller.field.dispatch import Dispatcher
from controller.field.inbox import Inbox

NEVER_S = 1e9


def spy(notes: str) -> None:
    """Note epoch, number, tag, time on the machine's clock, and the age of the newest message with readings."""
    send, put = Dispatcher.send, Inbox.put
    read_at_s = -NEVER_S

    def noted_put(self: Inbox, *arguments: Any) -> None:
        nonlocal read_at_s
        read_at_s = monotonic()
        put(self, *arguments)

    def noted_send(self: Dispatcher, commands: Sequence[Command]) -> None:
        now_s = monotonic()
        with open(notes, "a") as file:
            for command in commands:
                line = (command.epoch, command.number, command.tag, now_s, now_s - read_at_s)
                print(*line, file=file)
        send(self, commands)

    Dispatcher.send, Inbox.put = noted_send, noted_put  # type: ignore[method-assign]


if __name__ == "__main__":
    spy(sys.argv.pop(1))
    main()
