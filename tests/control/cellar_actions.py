"""What the tests of operator actions share: a cellar of two fermenters, and actions that are allowed or refused."""

from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.operate import operate
from controller.control.site import Site
from controller.control.state import SiteState, VesselState
from controller.control.values import Action, Record, RecordKind
from tests.factories import DAY_S, HOUR_S, UTC_S, scan, site, vessel

PITCH = ProfileStep("pitch", StepKind.HOLD, 19.0, 0.5, Ends(confirmed="Is the yeast in?"), DAY_S)
PRIMARY = ProfileStep("primary", StepKind.HOLD, 19.0, 0.5, Ends(attenuation=0.75), 9 * DAY_S)
RISE = ProfileStep("rise", StepKind.RAMP, 22.0, 0.5, Ends(), 3 * DAY_S, rate_k_per_s=2.0 / DAY_S)
REST = ProfileStep("rest", StepKind.REST, 22.0, 0.5, Ends(after_s=48 * HOUR_S), 4 * DAY_S)
HOPS = ProfileStep("hops", StepKind.HOLD, 22.0, 0.5, Ends(confirmed="Are the hops in?"), 2 * DAY_S)
CRASH = ProfileStep("crash", StepKind.CRASH, 3.0, 0.5, Ends(reached=True), 3 * DAY_S)
ALE = Profile("ale", "A hoppy ale", (PITCH, PRIMARY, RISE, REST, HOPS, CRASH))
CELLAR = site(vessel("left"), vessel("right"), profile=ALE)


def wish(verb: str, name: str = "left", who: str = "command line, jo", expects: str = "", **arguments) -> Action:
    return Action(f"{verb} {name} {expects} {sorted(arguments.items())}", name, verb, arguments, who, expects)


def answered(state: SiteState, action: Action, cellar: Site = CELLAR) -> tuple[SiteState, Record, list[Record]]:
    """The state after the action, the ACTION record that answers it, and all records."""
    after, records = operate(cellar, state, action, UTC_S)
    (answer,) = [record for record in records if record.kind is RecordKind.ACTION]
    return after, answer, records


def allowed(state: SiteState, action: Action, cellar: Site = CELLAR) -> SiteState:
    after, answer, _ = answered(state, action, cellar)
    assert answer.value == "done", answer.reason
    return after


def told(state: SiteState, action: Action, cellar: Site = CELLAR) -> list[tuple[str, str, str, str]]:
    """Vessel, kind, subject and value of what an allowed action records, without the answer itself."""
    _, answer, records = answered(state, action, cellar)
    assert answer.value == "done", answer.reason
    assert all(record.who == action.who and record.reason for record in records)
    return [(r.vessel, r.kind.value, r.subject, r.value) for r in records if r.kind is not RecordKind.ACTION]


def refused(state: SiteState, action: Action, cellar: Site = CELLAR) -> str:
    """The reason of a refusal, having made sure that nothing was changed."""
    after, answer, records = answered(state, action, cellar)
    assert answer.value == "refused", answer.reason
    assert records == [answer]
    assert after._replace(answers={}) == state._replace(answers={})
    assert answer.reason.endswith("nothing was changed")
    return answer.reason


def left(state: SiteState) -> VesselState:
    return state.vessels["left"]


def at_step(step: ProfileStep, empty: SiteState, celsius: float = 20.0) -> SiteState:
    """The ale in the left vessel, in that step for one scan."""
    state = allowed(empty, wish("start", batch="Pale 4", og=1.050, volume_l=50.0, profile="ale", step=step.name))
    return scan(CELLAR, state, celsius).state
