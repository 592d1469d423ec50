"""What one core step costs per vessel, in calls of bare simple-pid measured in the same run.

    python -m tests.bench.step_cost

Asked for: at most 55 calls. Three running vessels, one bath, one room, readings of every probe at every scan,
after a day of fermentation. The two are timed in turn, several times over; the median ratio counts.
"""

from statistics import median
from time import perf_counter

from simple_pid import PID

from controller.control.state import SiteState
from controller.control.step import step
from controller.control.values import Inputs
from controller.simulate import EPOCH_UTC_S, simulate
from tests.bench.cellars import Party, demo_site

SCANS, CALLS, ROUNDS = 2000, 20_000, 15


def main() -> None:
    site = demo_site(5.0)
    party = Party(site)
    state = simulate(site, party.cellar, 30 * 3600.0, party.acts)
    now_s = state.now_s
    inputs = []
    for _ in range(SCANS):
        party.cellar.advance(site.scan_s)
        now_s += site.scan_s
        inputs.append(Inputs(now_s, EPOCH_UTC_S + now_s, party.cellar.readings()))
    pid = PID(1.0, 0.1, 0.05, setpoint=19.0, sample_time=None)
    ratios, costs = [], []
    for _ in range(ROUNDS):
        began = perf_counter()
        last: SiteState = state
        for each in inputs:
            last = step(site, last, each).state
        core_s = (perf_counter() - began) / SCANS / len(site.vessels)
        began = perf_counter()
        for _ in range(CALLS):
            pid(18.9375, dt=5.0)
        bare_s = (perf_counter() - began) / CALLS
        ratios.append(core_s / bare_s)
        costs.append((core_s, bare_s))
    core_s, bare_s = sorted(costs)[len(costs) // 2]
    running = sum(vessel.batch is not None for vessel in state.vessels.values())
    print(f"{running} running vessels: {1e6 * core_s:.1f} microseconds a vessel and step,")
    print(f"bare simple-pid {1e6 * bare_s:.2f} microseconds a call, median of {ROUNDS} rounds:")
    print(f"one step costs {median(ratios):.1f} calls a vessel (asked for: at most 55)")


if __name__ == "__main__":
    main()
