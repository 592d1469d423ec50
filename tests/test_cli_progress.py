"""Progress shows itself to a person at a terminal who has waited for two seconds, and to nobody else."""

import io
import sys

import pytest

from controller import progress as module
from controller.progress import progress
from tests.runtime.daemons import until


class Screen(io.StringIO):
    """Standard error as a terminal that keeps what was written."""

    def isatty(self) -> bool:
        return True


def test_in_a_pipe_or_a_log_nothing_appears(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "APPEARS_AFTER_S", 0.0)
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with progress("reading", 3) as advance:
        for _ in range(3):
            advance(1)
    assert sys.stderr.getvalue() == ""


def test_at_a_terminal_what_is_soon_done_does_not_flicker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "APPEARS_AFTER_S", 1e6)
    monkeypatch.setattr(sys, "stderr", Screen())
    with progress("reading", 3) as advance:
        advance(3)
    assert "reading" not in sys.stderr.getvalue()


@pytest.mark.parametrize("total", [4.0, None])
def test_at_a_terminal_a_long_wait_shows_what_is_done_and_then_clears_the_line(
    monkeypatch: pytest.MonkeyPatch, total: float | None
) -> None:
    screen = Screen()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(module, "APPEARS_AFTER_S", 0.0)
    monkeypatch.setattr(sys, "stderr", screen)
    with progress("reading [bold]", total) as advance:
        advance(1)
        until(lambda: "reading [bold]" in screen.getvalue(), "the progress")
        if total:
            until(lambda: "25%" in screen.getvalue(), "a quarter")
    assert screen.getvalue().endswith("\x1b[2K"), "the line is erased: ECMA-48, EL"


def test_a_fault_in_the_block_is_not_swallowed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", Screen())
    with pytest.raises(KeyError), progress("reading"):
        raise KeyError("wort")
