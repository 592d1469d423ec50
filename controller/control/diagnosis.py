"""What the diagnosis of one vessel remembers from scan to scan: plain data, part of the vessel's state."""

from collections.abc import Mapping
from typing import NamedTuple

from controller.control.balance import Balance, restarted
from controller.control.cold_row import ColdRow
from controller.control.doubt import ProbeMemory
from controller.control.suspicion import NOBODY, Suspicions

COOLER_NO_EFFECT, COOLER_WILL_NOT_STOP = "cooler without effect", "cooler will not stop"
HEATER_NO_EFFECT, HEATER_WILL_NOT_STOP = "heater without effect", "heater will not stop"
FAULTS = (COOLER_NO_EFFECT, COOLER_WILL_NOT_STOP, HEATER_NO_EFFECT, HEATER_WILL_NOT_STOP)
"""The faults of outputs, as their alarms are called."""


class OutputFault(NamedTuple):
    """A fault of a cooler or heater that was found from the temperatures (design rule 5), with its evidence in
    numbers. It stays until a person says that the output was inspected."""

    since_s: float
    text: str


class Minute(NamedTuple):
    """Sums over the tick that is under way: seconds, K s of the wort above 0 °C, seconds commanded on."""

    passed_s: float = 0.0
    fit_s: float = 0.0
    wort_ks: float = 0.0
    cooled_s: float = 0.0
    heated_s: float = 0.0


class Retry(NamedTuple):
    """A cooler without effect rests until `at_s`, then is tried again; the pauses grow. `ran_s` is how long it has run
    since, or since the wort was last clearly colder than `from_c`."""

    pause_s: float
    at_s: float
    ran_s: float = 0.0
    from_c: float | None = None


class Diagnosis(NamedTuple):
    """`probes` by name. A test pulse asks until `asking_until_s` whether a probe is alive; it began at `asked_s`.
    `apart_k` is the mean distance from wort to room in the last hour, `room_c` the mean of the room, None where nobody
    measures it; `swing_k` by how much it was warmer (< 0: colder) of late, which fades in an hour.
    For `beyond_s` the wort has been warming (> 0) or cooling (< 0) faster than nature can."""

    minute: Minute = Minute()
    balance: Balance = Balance()
    suspicions: Suspicions = NOBODY
    younger: Suspicions = NOBODY
    retry: Retry | None = None
    probes: Mapping[str, ProbeMemory] = {}
    asking_until_s: float | None = None
    asked_s: float | None = None
    apart_k: float | None = None
    cold_row: ColdRow | None = None
    beyond_s: float = 0.0
    room_c: float | None = None
    swing_k: float = 0.0


NO_DIAGNOSIS = Diagnosis()


def put_away(last: Diagnosis) -> Diagnosis:
    """The memory when the beer has gone, or nobody watched for a while: what was under way is of another time. How
    strong the outputs are stays, and when a cooler is tried again; a probe that is not believed must still show that it
    is alive."""
    kept = {name: memory for name, memory in last.probes.items() if memory.doubt}
    return NO_DIAGNOSIS._replace(balance=restarted(last.balance), retry=last.retry, probes=kept)


def taken_back(
    faults: Mapping[str, OutputFault], diagnosis: Diagnosis, part: str
) -> tuple[Mapping[str, OutputFault], Diagnosis]:
    """Faults and memory without what is held against the output `part`, "cooler" or "heater"."""
    kept = {kind: fault for kind, fault in faults.items() if not kind.startswith(f"{part} ")}
    retry = None if part == "cooler" else diagnosis.retry
    return kept, diagnosis._replace(suspicions=NOBODY, younger=NOBODY, retry=retry)
