"""The core against a plant, without asyncio, sockets or clocks: weeks in seconds."""

from collections.abc import Callable, Iterable, Mapping
from typing import Protocol

from controller.control.lifecycle import initial_state
from controller.control.site import Site
from controller.control.state import SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Command, Inputs, Reading

EPOCH_UTC_S = 1_790_000_000.0  # an arbitrary label for the first scan: 2026-09-21T13:33:20Z


class Plant(Protocol):
    """A world that can be regulated: it reports, obeys and lets time pass."""

    def readings(self) -> Mapping[str, Reading]:
        """The newest report of each probe, by tag."""

    def obey(self, commands: Iterable[Command]) -> None:
        """Hand commands to the devices."""

    def advance(self, dt_s: float) -> None:
        """Let `dt_s` pass."""


def simulate(
    site: Site,
    plant: Plant,
    duration_s: float,
    operators: Callable[[float, SiteState], tuple[Action, ...]] = lambda now_s, state: (),
    observe: Callable[[StepResult], object] = lambda result: None,
    state: SiteState | None = None,
) -> SiteState:
    """Run the site against the plant for `duration_s` from `state` (default: a plant never seen), and give the
    last state. `operators` is asked before each scan what people do; `observe` sees each scan's result."""
    state = state or initial_state(site, 0.0)
    end_s = state.now_s + duration_s
    now_s = state.now_s
    while now_s < end_s:
        inputs = Inputs(now_s, EPOCH_UTC_S + now_s, plant.readings(), operators(now_s, state))
        result = step(site, state, inputs)
        plant.obey(result.commands)
        observe(result)
        plant.advance(site.scan_s)
        state = result.state
        now_s += site.scan_s
    return state
