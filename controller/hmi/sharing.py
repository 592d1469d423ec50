"""Who waits for whom where the bath is short, and until about when, in the brewer's words."""

from controller.control.chiller import LEAST_SHARE, waits_at_most_s
from controller.control.site import Site, Vessel
from controller.control.state import SiteState
from controller.display import Display
from controller.hmi.words import Json, duration_text, moment_text, number, share_text, trusted_c

# A wort that becomes colder by less than this says nothing about when it will be done.
SLOWEST_K_PER_H = 0.05
NAMED = 3


def bath_wait(site: Site, vessel: Vessel, state: SiteState, display: Display) -> Json | None:
    """What a vessel gets of the cold that it asks for and behind whom it waits; None where it does not wait.

    "done_s" is how long it will still take at the pace of the last half hour, "turn_s" how long at most it gets next
    to nothing; each is null where that is not known.
    """
    part = state.sharing.waits.get(vessel.name)
    if part is None:
        return None
    behind = state.sharing.behind
    done_s, turn_s = _done_s(vessel, state), _turn_s(site, state) if part < LEAST_SHARE else None
    before = [name for name in state.sharing.turns if name != vessel.name and state.sharing.waits.get(name, 1.0) > part]
    names = ", ".join(behind[:NAMED]) + (f" and {len(behind) - NAMED} more" if len(behind) > NAMED else "")
    text = f"waits for {names or 'the bath'}: the bath is short of cold"
    if before and turn_s is not None:
        turn_s = None
        text += f"; {before[-1]} has its turn, until it is about as far from its setpoint"
    elif turn_s is not None:
        text += f"; its turn comes {_when(turn_s, state, display)} at the latest, if the bath becomes no warmer"
    else:
        text += f", it gets {share_text(part)} of what it asks for"
        text += f"; done {_when(done_s, state, display)} at this pace" if done_s is not None else ""
    return {
        "share": number(part, 3),
        "behind": list(behind),
        "done_s": number(done_s, 0),
        "turn_s": number(turn_s, 0),
        "text": text,
    }


def _done_s(vessel: Vessel, state: SiteState) -> float | None:
    now = state.vessels[vessel.name]
    if now.setpoint is None or now.estimate.celsius is None or now.estimate.rate_k_per_h > -SLOWEST_K_PER_H:
        return None
    return max(0.0, now.estimate.celsius - now.setpoint.high_c) / -now.estimate.rate_k_per_h * 3600.0


def _turn_s(site: Site, state: SiteState) -> float | None:
    bath_c = trusted_c(state.signals, site.bath.probes) if site.bath else None
    if site.bath is None or bath_c is None:
        return None
    return waits_at_most_s(site.bath, state.sharing, bath_c)


def _when(in_s: float, state: SiteState, display: Display) -> str:
    """About when that is: by the site's clock where UTC is known, else how long it takes."""
    if state.utc_s is None:
        return f"in about {duration_text(in_s)}"
    return f"about {moment_text(state.utc_s + in_s, state.utc_s, display)}"
