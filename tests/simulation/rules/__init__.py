"""A judge for each rule of the design that is never broken (§6). Nothing in here imports the service.

They share what they have seen (`seen.Seen`). A judge accuses only of what the service could have known or done: what
a network does after the broker has taken a command, or a device by itself, is nobody's breach.
"""

from collections.abc import Callable

from tests.simulation.rules.rule_01_change_over import ChangeOver
from tests.simulation.rules.rule_02_fit_signals import FitSignals
from tests.simulation.rules.rule_03_ends_by_itself import EndsByItself
from tests.simulation.rules.rule_04_nothing_stale import NothingStale
from tests.simulation.rules.rule_05_faulty_outputs import FaultyOutputs
from tests.simulation.rules.rule_06_freezing import Freezing
from tests.simulation.rules.rule_07_limits import HardLimits
from tests.simulation.rules.rule_08_protective_times import ProtectiveTimes
from tests.simulation.rules.rule_09_overrides import Overrides
from tests.simulation.rules.rule_10_one_driver import OneDriver
from tests.simulation.rules.rule_11_records import Recorded
from tests.simulation.rules.rule_12_bad_input import BadInput
from tests.simulation.rules.seen import Seen
from tests.simulation.scene import Judge

RULES: tuple[Callable[[Seen], Judge], ...] = (
    ChangeOver,
    FitSignals,
    EndsByItself,
    NothingStale,
    FaultyOutputs,
    Freezing,
    HardLimits,
    ProtectiveTimes,
    Overrides,
    OneDriver,
    Recorded,
    BadInput,
)


def judges() -> list[Judge]:
    """All twelve, fresh for a story."""
    seen = Seen()
    return [rule(seen) for rule in RULES]
