"""How far something long has come, on the terminal of the person who waits for it.

Nothing appears in the first two seconds, nothing stays when the work is done, and where the errors do not go to
a terminal (a service's log, a file, a pipe) nothing appears at all.
"""

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

APPEARS_AFTER_S = 2.0

Advance = Callable[[float], None]


@contextmanager
def progress(text: str, total: float | None = None) -> Iterator[Advance]:
    """Show `text` with a bar on standard error while the block runs longer than two seconds.

    `total` counts in whatever unit the block counts; None where the end is not known. The block is given a function
    that it calls with how much has been done since it last called, from any thread.
    """
    if not sys.stderr.isatty():
        yield lambda done: None
        return
    # Loaded only for somebody who looks on: what follows costs more than most commands.
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TaskProgressColumn, TextColumn, TimeRemainingColumn

    bar = (BarColumn(), TaskProgressColumn(), TimeRemainingColumn()) if total is not None else ()
    words = TextColumn("{task.description}", markup=False)
    shown = Progress(SpinnerColumn(), words, *bar, console=Console(stderr=True), transient=True)
    task = shown.add_task(text, total=total)
    appearing = threading.Timer(APPEARS_AFTER_S, shown.start)
    appearing.daemon = True
    appearing.start()
    try:
        yield lambda done: shown.advance(task, done)
    finally:
        appearing.cancel()
        appearing.join()
        shown.stop()
