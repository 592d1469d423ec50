"""State saved to JSON and loaded at random instants: are the decisions the same to the last bit?

    python -m tests.bench.save_and_load [INSTANTS] [SEED]

Asked for: identical at 100 random instants. A fortnight is run twice on equal plants, once without stopping and
once through JSON at each instant; commands and records are compared one by one.
"""

import random
import sys

from controller.control.codec import from_json, to_json
from controller.control.lifecycle import initial_state
from controller.control.state import SiteState
from controller.control.step import step
from controller.control.values import Command, Inputs, Record
from controller.simulate import EPOCH_UTC_S
from tests.bench.cellars import Party, demo_site

DAYS, SCAN_S = 14.0, 30.0
SCANS = round(DAYS * 86400 / SCAN_S)


def run(instants: frozenset[int]) -> tuple[list[Command], list[Record], str]:
    """All commands and records of a fortnight, and the last state as text."""
    site = demo_site(SCAN_S)
    party = Party(site)
    state = initial_state(site, 0.0)
    commands: list[Command] = []
    records: list[Record] = []
    for scan in range(SCANS):
        if scan in instants:
            state = from_json(SiteState, to_json(state))
        now_s = scan * SCAN_S
        inputs = Inputs(now_s, EPOCH_UTC_S + now_s, party.cellar.readings(), party.acts(now_s, state))
        state, now_commands, now_records = step(site, state, inputs)
        commands += now_commands
        records += now_records
        party.cellar.obey(now_commands)
        party.cellar.advance(SCAN_S)
    return commands, records, to_json(state)


def main() -> int:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else random.SystemRandom().randrange(10**6)
    instants = frozenset(random.Random(seed).sample(range(SCANS), count))
    straight, stopped = run(frozenset()), run(instants)
    same = straight == stopped
    print(f"seed {seed}: saved and loaded at {count} random instants of {DAYS:g} days")
    verdict = "identical" if same else "DIFFERENT"
    print(f"{len(straight[0])} commands, {len(straight[1])} records, last state: {verdict}")
    return 0 if same else 1


if __name__ == "__main__":
    sys.exit(main())
