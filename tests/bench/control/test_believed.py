"""What is learnt of a plant in three days, beside what is true of it."""

import pytest

from tests.bench.control.runs import OURS, Job, run


@pytest.mark.parametrize("seed", [1021, 1034])
def test_what_pulses_did_in_all_is_not_hidden_by_their_course(seed: int) -> None:
    """Vessels of 6 and 9 L whose coil's course differs most from the observer's: who believes each minute of a pulse
    reckons too little cold, and takes the loss for 0.62 and 0.51 of the true one."""
    (trace,) = run(Job("random", seed, OURS, 48.0, 10.0, 3.01)).traces.values()
    assert trace.ratios["loss/C"] > 0.65
