"""Operator actions about the beer: the gravities that the brewer has measured."""

from controller.control.beer import HIGHEST_GRAVITY, LOWEST_GRAVITY, alcohol_by_weight, freezing_point_c
from controller.control.operate_request import Done, Refused, Request
from controller.control.state import Batch, GravityReading
from controller.control.values import RecordKind

LOWEST_OG = 1.005  # below it there is nothing to ferment
MOST_GRAVITIES = 1000
PROVEN_ALCOHOL_SHARE = 0.9  # a hydrometer in a fermenting sample reads unsurely; common practice, no source


def gravity(request: Request) -> Done:
    """Enter a specific gravity (20/20 °C): `gravity`, 0.98..1.18."""
    changed = with_gravity(request, request.batch())
    entered = changed.gravities[-1].gravity
    vessel = request.was._replace(batch=changed)
    return Done(vessel, f"gravity {entered:.3f}", RecordKind.BATCH, "gravity", f"{entered:.4f}")


def og(request: Request) -> Done:
    """Enter or correct the original gravity (20/20 °C): `gravity`, 1.005..1.18."""
    batch = request.batch()
    original = request.number("gravity", LOWEST_OG, HIGHEST_GRAVITY)
    if batch.gravities and max(reading.gravity for reading in batch.gravities) > original + 0.002:
        raise Refused(f"an OG of {original:.3f} is below a gravity that was entered")
    vessel = request.was._replace(batch=_with_freezing(batch._replace(og=original)))
    return Done(vessel, f"OG {original:.3f}", RecordKind.BATCH, "og", f"{original:.4f}")


def with_gravity(request: Request, batch: Batch) -> Batch:
    """The batch with the request's `gravity` entered; refused where it cannot be."""
    measured = request.number("gravity", LOWEST_GRAVITY, HIGHEST_GRAVITY)
    if batch.og is not None and measured > batch.og + 0.002:
        raise Refused(f"a gravity of {measured:.3f} is above the OG of {batch.og:.3f}; correct the OG first")
    if len(batch.gravities) >= MOST_GRAVITIES:
        raise Refused(f"{batch.name} has {MOST_GRAVITIES} gravities already")
    reading = GravityReading(measured, request.state.now_s, request.utc_s)
    return _with_freezing(batch._replace(gravities=(*batch.gravities, reading)))


def _with_freezing(batch: Batch) -> Batch:
    """Alcohol never goes away: the least proven alcohol is that of the lowest gravity, less a tenth."""
    if batch.og is None or not batch.gravities:
        return batch
    lowest = min(reading.gravity for reading in batch.gravities)
    proven = PROVEN_ALCOHOL_SHARE * max(0.0, alcohol_by_weight(batch.og, min(lowest, batch.og)))
    return batch._replace(freezing_c=freezing_point_c(proven))
