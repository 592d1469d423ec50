"""What the service believes of a vessel, beside what is true: the ratios that it has learned.

Reads whatever the core's state carries: `VesselState.observed` where there is an observer, nothing else."""

import math

from controller.control.state import VesselState
from tests.bench.control.truth import losses
from tests.simulation.plant_vessel import CALM_COIL, Vessel

HOUR_S = 3600.0
LEARNT_FROM_S = 2 * HOUR_S  # an output that ran for less has shown nothing
COIL, HEATER, LOSS = "coil/C", "heater/C", "loss/C"


def learned_per_h(state: VesselState) -> dict[str, float]:
    """The ratios by name, in 1/h (the heater's in K/h); empty where the core learns none."""
    observed = getattr(state, "observed", None)
    if observed is None:
        return {}
    rate, shares = observed.rate, observed.shares
    return {
        COIL: rate.coil_per_h * shares.cooler,
        HEATER: rate.heater_k_per_h * shares.heater,
        LOSS: rate.loss_per_h * shares.loss,
    }


def true_per_h(vessel: Vessel) -> dict[str, float]:
    """The same as the plant has them now: the coil as fouled and stirred as it is, limited by its flow."""
    spec = vessel.spec
    capacity = (vessel.capacity_j_per_k + spec.wall_j_per_k) / HOUR_S
    coil_w = spec.coil_w_per_k * vessel.fouling * (CALM_COIL + (1.0 - CALM_COIL) * vessel.gas)
    flow_w = spec.flow_l_per_s * vessel.j_per_l_k
    loss_w, reaches = losses(spec)
    return {
        COIL: flow_w * (1.0 - math.exp(-coil_w / flow_w)) / capacity,
        HEATER: spec.heater_w * (1.0 - spec.wrap_loss_share) * reaches / capacity,
        LOSS: loss_w / capacity,
    }


def ratios(state: VesselState, vessel: Vessel, cooled_s: float, heated_s: float) -> dict[str, float]:
    """Learned / true, by name, of what the outputs have shown."""
    learned, true = learned_per_h(state), true_per_h(vessel)
    shown = {COIL: cooled_s >= LEARNT_FROM_S, HEATER: heated_s >= LEARNT_FROM_S, LOSS: True}
    return {name: learned[name] / true[name] for name in learned if shown[name] and true[name] > 0.0}
