"""How much faster than life: three vessels, fourteen days, a scan every 5 s, core and plant on one core.

    python -m tests.bench.fortnight [DAYS]

Asked for: at least 20,000 times real time.
"""

import sys
from time import process_time

from controller.display import Display
from controller.hmi.summary import summary_text
from controller.hmi.tally import Tally
from controller.simulate import simulate
from tests.bench.cellars import Party, demo_site

DAY_S = 86400.0


def main() -> None:
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 14.0
    site = demo_site(5.0)
    party = Party(site)
    began = process_time()
    simulate(site, party.cellar, days * DAY_S, party.acts)
    spent_s = process_time() - began
    scans = days * DAY_S / site.scan_s
    print(f"{days:g} days, {len(site.vessels)} vessels, {scans:,.0f} scans of {site.scan_s:g} s: core and plant")
    print(f"took {spent_s:.1f} s of one core: {days * DAY_S / spent_s:,.0f} times real time (asked for: 20,000)")
    print(f"{1e6 * spent_s / scans:.0f} microseconds a scan\n")

    party = Party(site)
    tally = Tally()
    simulate(
        site, party.cellar, days * DAY_S, party.acts,
        observe=lambda result: tally.add(site, result.state, site.scan_s, result.records),
    )  # fmt: skip
    print(summary_text(tally, Display()))


if __name__ == "__main__":
    main()
