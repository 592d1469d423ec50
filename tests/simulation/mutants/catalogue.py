"""The mutants: for each rule a small change of the service that breaks it, as text that is replaced."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tests.simulation.layout import Layout
from tests.simulation.mutants import stories
from tests.simulation.story import Happening


@dataclass(frozen=True, slots=True)
class Patch:
    """In `file` (below `controller/`) the text `old`, which stands there once, becomes `new`."""

    file: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class Mutant:
    """Breaks `rule`. `tells` makes a story of `hours` for a cellar, of the kinds of happenings that every story has."""

    rule: int
    sentence: str
    patches: tuple[Patch, ...]
    tells: Callable[[Layout], Sequence[Happening]]
    hours: float


MUTANTS = (
    Mutant(
        1,
        "no change-over time between heater and cooler",
        (
            Patch(
                "control/interlock.py",
                "vessel.loop.changeover_s - (now_s - ended_s)",
                "0.0 - (now_s - ended_s)",
            ),
        ),
        stories.heated_then_cooled,
        2.0,
    ),
    Mutant(
        2,
        "a signal that is stale or at fault drives on",
        (
            Patch(
                "control/trust.py",
                "_FIT = (Status.GOOD, Status.MAINTENANCE, Status.OUT_OF_SPECIFICATION)",
                "_FIT = (Status.GOOD, Status.MAINTENANCE, Status.OUT_OF_SPECIFICATION, Status.FAILURE)",
            ),
        ),
        stories.probes_missing_while_heated,
        2.0,
    ),
    Mutant(
        3,
        'an "on" lasts for a day if nobody renews it',
        (Patch("field/dispatch.py", '"lifetime_s": command.lifetime_s', '"lifetime_s": 86400.0'),),
        stories.all_cooled,
        1.0,
    ),
    Mutant(
        4,
        "commands do not expire, and leave without asking whether the broker answers",
        (Patch("field/dispatch.py", "expiry_s=expiry_s)", "expiry_s=None)"),),
        stories.late_messages,
        3.0,
    ),
    Mutant(
        5,
        "a heater that was found at fault may be on",
        (
            Patch(
                "control/interlock.py",
                "elif HEATER_WILL_NOT_STOP in faults or HEATER_NO_EFFECT in faults:",
                "elif ():",
            ),
        ),
        stories.heater_burns_out,
        12.0,
    ),
    Mutant(
        6,
        "the freezing limit is 3 K too low",
        (Patch("control/interlock.py", "+ vessel.freeze_margin_k", "+ vessel.freeze_margin_k - 3.0"),),
        stories.cooled_towards_freezing,
        6.0,
    ),
    Mutant(
        7,
        "a setpoint outside the hard limits is accepted",
        (Patch("control/operate_request.py", "if not limits.low_c <= celsius <= limits.high_c:", "if ():"),),
        stories.setpoint_beyond_the_limit,
        0.5,
    ),
    Mutant(
        8,
        "after a restart the protective off time counts as over",
        (Patch("control/lifecycle.py", "off = OutputState(False, now_s, now_s - 1.0, START, heard_s=now_s - 1.0)",
               "off = OutputState(False, now_s - 9e9, now_s - 9.1e9, START)"),),
        stories.killed_while_cooling,
        1.5,
    ),
    Mutant(
        9,
        "a manual override does not end",
        (Patch("control/follow.py", "moment.now_s >= manual.until_s", "moment.now_s < 0.0"),),
        stories.cooled_by_hand_briefly,
        1.5,
    ),
    Mutant(
        10,
        "a daemon whose session was taken over goes on",
        (
            Patch("field/mqtt.py", "self.taken_over = reason_code(error) == TAKEN_OVER", "self.taken_over = False"),
            Patch("field/mqtt.py", "return is_claim(payload) and payload != driving(self._token)", "return False"),
        ),
        stories.second_daemon,
        0.95,
    ),
    Mutant(
        11,
        "a change of an output is not recorded",
        (
            Patch(
                "control/drive.py",
                "records.append(Record(now_s, utc_s, where, RecordKind.OUTPUT, name, "
                '"on" if on else "off", reason))',
                "pass",
            ),
        ),
        stories.all_cooled,
        1.0,
    ),
    Mutant(
        12,
        "bytes that are no text end the service",
        (
            Patch(
                "control/decode.py",
                'return Refusal(Reason.NOT_UTF8, f"byte {payload[error.start]:#04x} at {error.start}")',
                "raise",
            ),
        ),
        stories.bytes_of_a_stranger,
        0.5,
    ),
)  # fmt: skip
