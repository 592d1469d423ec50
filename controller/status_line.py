"""One short line that says how the cellar is, for the service manager's status."""

from controller.control.alarms import ACTIVE
from controller.control.site import Site
from controller.control.state import BatchState, SiteState
from controller.display import Display


def status_line(site: Site, state: SiteState, trouble: str, display: Display) -> str:
    """Such as "2 batches running; cone-120 18.0 °C, keg-50 4.1 °C; 1 alarm active". `trouble` says why nothing is
    driven, "" if it is; it comes first."""
    running = sum(now.condition is BatchState.RUNNING for now in state.vessels.values())
    worts = [
        f"{vessel.name} {display.temperature_text(celsius)}"
        for vessel in site.vessels
        if state.vessels[vessel.name].batch
        for celsius in [state.vessels[vessel.name].estimate.celsius]
    ]
    active = sum(alarm.phase in ACTIVE for alarm in state.alarms.values())
    parts = [
        f"not driving: {trouble}" if trouble else "",
        _counted(running, "batch", "batches") + " running",
        ", ".join(worts),
        _counted(active, "alarm", "alarms") + " active" if active else "",
    ]
    return "; ".join(part for part in parts if part)


def _counted(number: int, one: str, many: str) -> str:
    return f"{number or 'no'} {one if number == 1 else many}"
