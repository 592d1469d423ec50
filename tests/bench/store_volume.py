"""What a day of history costs the disk: ten vessels at a sample every 10 s, 480 events, roll-ups included.

    python -m tests.bench.store_volume [DAYS] [VESSELS]

Asked for: at most 25 MB a day. What waits and what writes are driven scan by scan on the service's time, as the
store's thread does it, so that every commit of the day takes place however fast it goes: one for each minute and each
event. The state is new at each scan, every figure of it different in all its digits, and saved as the service saves it.
Counted are the bytes that the process hands to the kernel and those that the kernel sends to the disk, proc(5):
wchar and write_bytes of /proc/self/io, with the checkpoint at the end. The second counts whole pages of the file
system, and is nothing on one that lives in memory.
"""

import random
import sys
import tempfile
from pathlib import Path
from typing import Any

from controller.control.lifecycle import remembered_state
from controller.control.state import OutputState, SiteState
from controller.control.values import Drive, Estimate, Record, RecordKind, Setpoint, Signal, Status
from controller.historian.database import open_database
from controller.historian.pending import Pending
from controller.historian.sampler import Sampler
from controller.installation import History
from tests.historian.cellars import FRIDAY, brewing, with_bath

SCAN_S, DAY_S, EVENTS = 5.0, 86400.0, 480
ASKED_MB = 25.0


def counted() -> tuple[int, int]:
    """Bytes written by this process: as it says, and as the disk sees it."""
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(fields["wchar"]), int(fields["write_bytes"])


def stir(state: SiteState, chance: random.Random, now_s: float, number: int) -> SiteState:
    """The next scan: every figure that a scan computes is another one."""
    vessels = {}
    for name, vessel in state.vessels.items():
        wort_c = 18.0 + chance.random()
        on = chance.random() < 0.2
        output = OutputState(on, now_s - 600 * chance.random(), now_s, "wort 0.42 K above setpoint; coil still cold",
                             chance.random(), now_s - 60 * chance.random(), number, 1e5 * chance.random())  # fmt: skip
        vessels[name] = vessel._replace(
            observed=stirred(vessel.observed, chance),
            diagnosis=vessel.diagnosis._replace(balance=stirred(vessel.diagnosis.balance, chance)),
            estimate=Estimate(wort_c, wort_c, wort_c, chance.random(), wort_c, Drive.BOTH, ""),
            loop=vessel.loop._replace(
                integral_w=chance.random(), filtered_c=wort_c, slope_k_per_s=chance.random(), heat_w=chance.random()
            ),
            cooler=output,
            heater=output._replace(on=False, since_s=now_s - 600 * chance.random()),
            setpoint=Setpoint(18.0, 18.5),
            applied_w=chance.random(),
            settling_since_s=now_s - chance.random(),
        )
    signals = {f"{name}/wort": Signal(18.0 + chance.random(), now_s, Status.GOOD, "") for name in state.vessels}
    state = state._replace(now_s=now_s, utc_s=FRIDAY + now_s, number=number, vessels=vessels, signals=signals)
    return with_bath(with_bath(state, -4.0 + chance.random()), -4.0)


def stirred(value: Any, chance: random.Random) -> Any:
    """The same memory with other figures."""
    if isinstance(value, float):
        return chance.random()
    if isinstance(value, tuple) and hasattr(value, "_replace"):
        return type(value)(*(stirred(item, chance) for item in value))
    return 9 if type(value) is int else value


def main() -> int:
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 2.0
    vessels = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    chance = random.Random(1)
    state = brewing(names=tuple(f"vessel {n}" for n in range(vessels)))
    state = state._replace(answers={f"id-{n}": f"vessel {n} regulates at 18.0 °C" for n in range(200)})
    scans = round(days * DAY_S / SCAN_S)
    events = frozenset(chance.sample(range(scans), round(days * EVENTS)))
    with tempfile.TemporaryDirectory(dir=".") as folder:
        path = Path(folder) / "history.sqlite"
        (database, _), waiting, sampler = open_database(path, History()), Pending(), Sampler()
        before, commits = counted(), 0
        for number in range(scans):
            now_s = SCAN_S * number
            state = stir(state, chance, now_s, number)
            records = []
            if number in events:
                records = [Record(now_s, FRIDAY + now_s, "vessel 1", RecordKind.OUTPUT, "vessel 1/cooler", "on",
                                  "wort 0.42 K above setpoint; coil still cold")]  # fmt: skip
            waiting.add(remembered_state(state), records, sampler.add(state))
            if records or waiting.is_due():
                database.write(waiting.take(all_of_it=False))
                commits += 1
        database.close()
        said, disk = (after - then for after, then in zip(counted(), before, strict=True))
        size = path.stat().st_size
    print(f"{days:g} days, {vessels} vessels, a sample each 10 s, {EVENTS} events a day at random:")
    print(f"{commits / days:.0f} commits a day,", end=" ")
    print(f"written {said / days / 1e6:.1f} MB a day, to the disk {disk / days / 1e6:.1f} MB a day"
          f" (asked for: at most {ASKED_MB:g}); the file is {size / 1e6:.1f} MB")  # fmt: skip
    return 0 if max(said, disk) / days / 1e6 <= ASKED_MB else 1


if __name__ == "__main__":
    sys.exit(main())
