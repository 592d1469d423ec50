"""The profile runner against a second one, written from the design's words, under any order of scans and actions.

    Design, §4: a hold or rest counts only time with a good signal and the wort within the step's tolerance of its
    target.
    An outage counts for guards once UTC is trusted, never for rests. At its longest time a step raises an alarm and
    holds; it goes on by itself only if the step says so, and never past a confirmation. §2: held, complete and stopped
    regulate at the last setpoint, step clocks stand still.

`Twin` keeps what a brewer would with a stopwatch, a notebook and the profile on paper. From the program it takes the
temperature that it shows (the filter has tests of its own), nothing else: setpoint, clocks, place in the profile,
ends of steps and states of the batch are its own, and must be the same after every scan, to the second.
"""

from dataclasses import dataclass, field, replace

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from controller.control.codec import from_json, to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import initial_state, resumed_state
from controller.control.operate import operate
from controller.control.state import BatchState, SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Drive, Estimate, Inputs, Reading, RecordKind, Setpoint
from tests.effort import examples
from tests.factories import UTC_S, site, vessel

SCAN_S = 5
QUIET_S = 30  # of the factories' probes
TWO_SCANS_S, GAP_S = 10, 15  # design §3: after a gap, loops start again; more than three scans are one

TEMPERATURES = st.sampled_from([17.0, 18.0, 18.5, 19.0, 19.5, 20.0, 22.0])
DURATIONS = st.sampled_from([0.0, 5.0, 60.0, 300.0, 900.0])
ENDS = st.builds(
    Ends,
    after_s=st.none() | DURATIONS,
    reached=st.booleans(),
    gravity=st.sampled_from([None, None, None, 1.020]),
    confirmed=st.sampled_from(["", "", "Is the yeast in?"]),
)
KINDS = st.sampled_from([*StepKind, StepKind.REST])


@st.composite
def profiles(draw: st.DrawFn) -> Profile:
    """One to five steps of any kinds, whose ends are near enough to be met in a test."""
    steps = []
    for number in range(draw(st.integers(1, 5))):
        kind = draw(KINDS)
        one = ProfileStep(
            f"step {number}", kind, draw(TEMPERATURES), draw(st.sampled_from([0.3, 0.5, 2.0])), draw(ENDS),
            at_most_s=draw(st.sampled_from([60.0, 600.0, 3600.0, 1e9])), goes_on=draw(st.booleans()),
        )  # fmt: skip
        if kind is StepKind.RAMP and draw(st.booleans()):
            one = replace(one, over_s=draw(st.sampled_from([0.0, 100.0, 600.0])))
        elif kind is StepKind.RAMP:
            one = replace(one, rate_k_per_s=draw(st.sampled_from([0.5, 6.0, 60.0])) / 3600.0)
        if kind is StepKind.RAMP:
            one = replace(one, waits_within_k=draw(st.sampled_from([None, one.tolerance_k, 0.2])))
        elif kind is StepKind.FREE_RISE:
            one = replace(one, floor_c=draw(st.none() | TEMPERATURES))
        steps.append(one)
    return Profile("hold", "Any profile", tuple(steps))


@dataclass
class Twin:
    """The brewer's stopwatch and notebook for one batch. `at` is the setpoint that is to be shown."""

    profile: Profile
    at: Setpoint
    from_c: float
    condition: BatchState = BatchState.RUNNING
    number: int = 0
    counted_s: int = 0
    elapsed_s: int = 0
    reached: bool = False
    confirmed: bool = False
    overtime: bool = False
    behind: bool = False
    gravity: float | None = None
    told: list[str] = field(default_factory=list)

    @property
    def now(self) -> ProfileStep:
        return self.profile.steps[self.number]

    def enter(self, number: int, wort_c: float | None) -> None:
        """Begins a step from where the wort is, as far as the setpoint of the moment lets it."""
        here_c = self.at.high_c if wort_c is None else wort_c
        self.from_c = min(max(here_c, self.at.low_c), self.at.high_c)
        self.number, self.counted_s, self.elapsed_s = number, 0, 0
        self.reached = self.confirmed = self.overtime = self.behind = False
        self.show()

    def show(self) -> None:
        """The setpoint that the profile asks for now."""
        one = self.now
        if one.kind is StepKind.RAMP:
            self.at = Setpoint(self.ramped_c(), self.ramped_c())
        elif one.kind is StepKind.FREE_RISE:
            self.at = Setpoint(min(one.target_c, self.from_c if one.floor_c is None else one.floor_c), one.target_c)
        else:
            self.at = Setpoint(one.target_c, one.target_c)

    def ramped_c(self) -> float:
        """Where a ramp stands after the time that counted."""
        one, way_k = self.now, self.now.target_c - self.from_c
        if one.over_s is not None:
            arrived = self.counted_s >= one.over_s
            return one.target_c if arrived else self.from_c + self.counted_s / one.over_s * way_k
        moved_k = (one.rate_k_per_s or 0.0) * self.counted_s
        return one.target_c if moved_k >= abs(way_k) else self.from_c + moved_k * (1 if way_k > 0 else -1)

    def pass_time(self, dt_s: int, outage_s: int, good: bool, wort: Estimate) -> None:
        """One scan of a running batch."""
        self.told = []
        if self.condition is not BatchState.RUNNING:
            return
        one, ends = self.now, self.now.ends
        ramp = one.kind is StepKind.RAMP
        warm_enough = wort.cold_c >= self.at.low_c - one.tolerance_k
        within = warm_enough and wort.warm_c <= self.at.high_c + one.tolerance_k
        arrived = not ramp or self.ramped_c() == one.target_c  # what was shown, and the wort has been there since
        lag_k = self.lag_k(wort)
        waits = ramp and one.waits_within_k is not None and lag_k > one.waits_within_k
        within = within and not waits  # a setpoint that waits has not arrived
        self.counted_s += dt_s if good and (within if not ramp else not waits) else 0
        self.elapsed_s += dt_s + outage_s
        self.reached = self.reached or (good and within and arrived)
        bears_k = one.tolerance_k if one.waits_within_k is None else one.waits_within_k
        if ramp and self.behind is not (lag_k >= (0.7 if self.behind else 1.0) * bears_k):
            self.behind = not self.behind
            self.told.append(f"{one.name} {'behind' if self.behind else 'following'}")
        over = (
            (not ramp or self.reached)
            and (not ends.reached or self.reached)
            and (ends.after_s is None or self.counted_s >= ends.after_s)
            and (ends.gravity is None or (self.gravity is not None and self.gravity <= ends.gravity))
        )
        answered = not ends.confirmed or self.confirmed
        if not (over and answered) and self.elapsed_s >= one.at_most_s:
            self.told += [] if self.overtime else [f"{one.name} longest time"]
            self.overtime = True
            over = over or one.goes_on
        if not (over and answered):
            self.show()
            return
        self.told.append(f"{one.name} ended")
        if self.number + 1 == len(self.profile.steps):
            self.condition = BatchState.COMPLETE
            self.show()
        else:
            self.enter(self.number + 1, wort.celsius)
            self.told.append(f"{self.now.name} begun")

    def lag_k(self, wort: Estimate) -> float:
        """How far the wort is behind a ramp, the way that it goes."""
        if wort.celsius is None:
            return 0.0
        up = self.now.target_c > self.from_c
        return self.at.low_c - wort.cold_c if up else wort.warm_c - self.at.high_c

    def extend(self, for_s: int) -> None:
        one = self.now
        assert one.ends.after_s is not None
        longer = replace(
            one,
            ends=replace(one.ends, after_s=max(one.ends.after_s, self.counted_s) + for_s),
            at_most_s=max(one.at_most_s, self.elapsed_s) + for_s,
        )
        steps = list(self.profile.steps)
        steps[self.number] = longer
        self.profile = replace(self.profile, steps=tuple(steps))
        self.overtime = False


class ProgramMachine(RuleBasedStateMachine):
    """One vessel, and anything that can happen to its batch."""

    @initialize(profile=profiles(), celsius=TEMPERATURES)
    def power_on(self, profile: Profile, celsius: float) -> None:
        self.cellar = site(vessel("ale"), profile=profile)
        self.state: SiteState = initial_state(self.cellar, 0.0)
        self.now_s = self.utc_off_s = self.actions = 0
        self.celsius = celsius
        self.heard_s: int | None = None  # the last plain reading
        self.code = False  # the last reading was the sensor's power-on value
        self.twin: Twin | None = None
        self._scan()
        self._begin()

    # What happens by itself

    @rule(celsius=TEMPERATURES, scans=st.integers(1, 40))
    def wort_goes_to(self, celsius: float, scans: int) -> None:
        self._go(celsius, scans)

    @rule(scans=st.integers(1, 240))
    def wort_follows(self, scans: int) -> None:
        at = self.now_twin.at
        self._go(min(max(self.celsius, at.low_c), at.high_c), scans)

    @rule(scans=st.integers(1, 15))
    def probe_is_silent(self, scans: int) -> None:
        for _ in range(scans):
            self._scan(hears=False)

    @rule(scans=st.integers(1, 5))
    def probe_gives_its_power_on_value(self, scans: int) -> None:
        for _ in range(scans):
            self._scan(code=True)

    @rule(away_s=st.sampled_from([10, 15, 20, 60, 600, 100_000]))
    def machine_stands_still(self, away_s: int) -> None:
        self._scan(dt_s=away_s)

    @rule(down_s=st.sampled_from([1, 60, 900, 100_000]), scans=st.integers(0, 5))
    def power_fails(self, down_s: int, scans: int) -> None:
        """The service's own time stands still while it is off; UTC may be known again only after some scans."""
        saved = from_json(SiteState, to_json(self.state))
        self.state = resumed_state(self.cellar, saved, float(self.now_s))
        self.heard_s, self.code = None, False
        for _ in range(scans):
            self._scan(utc=False)
        self.utc_off_s += down_s
        self._scan(outage_s=down_s)

    # What the brewer does

    @precondition(lambda self: any(one.ends.confirmed for one in self.now_twin.profile.steps))
    @rule()
    def confirm(self) -> None:
        may = self.now_twin.condition is BatchState.RUNNING and bool(self.now_twin.now.ends.confirmed)
        self._act("confirm", may)
        self.now_twin.confirmed = self.now_twin.confirmed or may

    @precondition(lambda self: self.now_twin.condition is not BatchState.STOPPED)
    @rule()
    def hold(self) -> None:
        twin, wort_c = self.now_twin, self.state.vessels["ale"].estimate.celsius
        if self._leads("hold", BatchState.HELD, BatchState.RUNNING) and wort_c is not None:
            here_c = min(max(wort_c, twin.at.low_c), twin.at.high_c)
            twin.at = Setpoint(here_c, here_c)

    @precondition(lambda self: self.now_twin.condition is not BatchState.RUNNING)
    @rule()
    def resume(self) -> None:
        self._leads("resume", BatchState.RUNNING, BatchState.HELD)

    @precondition(lambda self: self.now_twin.condition in (BatchState.COMPLETE, BatchState.STOPPED))
    @rule()
    def stop(self) -> None:
        self._leads("stop", BatchState.STOPPED, BatchState.COMPLETE)

    @precondition(lambda self: self.now_twin.condition in (BatchState.COMPLETE, BatchState.STOPPED))
    @rule()
    def package_and_begin_anew(self) -> None:
        self._act("packaged", True)
        self._begin()

    @precondition(lambda self: any(one.ends.gravity for one in self.now_twin.profile.steps))
    @rule(gravity=st.sampled_from([1.045, 1.030, 1.020, 1.012]))
    def gravity(self, gravity: float) -> None:
        self._act("gravity", True, gravity=gravity)
        self.now_twin.gravity = gravity

    @rule(sure=st.booleans(), to=st.none() | st.integers(0, 5))
    def skip(self, sure: bool, to: int | None) -> None:
        twin, steps = self.now_twin, self.now_twin.profile.steps
        following = twin.number + 1 if to is None else to
        unasked = [one for one in steps[twin.number : following] if one.ends.confirmed]
        if twin.confirmed and twin.now in unasked:
            unasked.remove(twin.now)
        known = to is None or twin.number < to < len(steps)
        may = twin.condition is BatchState.RUNNING and known and (sure or not unasked)
        self._act("skip", may, **({} if to is None else {"to": f"step {to}"}), **({"sure": True} if sure else {}))
        if may and following == len(steps):
            twin.condition = BatchState.COMPLETE
            twin.show()
        elif may:
            twin.enter(following, self.state.vessels["ale"].estimate.celsius)

    @rule(to=st.none() | st.integers(0, 5))
    def back(self, to: int | None) -> None:
        twin = self.now_twin
        complete = twin.condition is BatchState.COMPLETE
        earlier = (twin.number if complete else twin.number - 1) if to is None else to
        may = (complete or twin.condition is BatchState.RUNNING) and 0 <= earlier <= twin.number
        self._act("back", may, **({} if to is None else {"to": f"step {to}"}))
        if may:
            twin.condition = BatchState.RUNNING
            twin.enter(earlier, self.state.vessels["ale"].estimate.celsius)

    @rule(for_s=st.sampled_from([60, 300, 3600]))
    def extend(self, for_s: int) -> None:
        twin = self.now_twin
        may = twin.condition in (BatchState.RUNNING, BatchState.HELD) and twin.now.ends.after_s is not None
        self._act("extend", may, for_s=float(for_s))
        if may:
            twin.extend(for_s)

    # How it is done, and what is compared

    @property
    def now_twin(self) -> Twin:
        assert self.twin is not None
        return self.twin

    def _begin(self) -> None:
        self._act("start", True, batch="pale", og=1.050, volume_l=50.0, profile="hold")
        profile, wort_c = self.cellar.profiles["hold"], self.state.vessels["ale"].estimate.celsius
        from_c = profile.steps[0].target_c if wort_c is None else wort_c
        self.twin = Twin(profile, Setpoint(from_c, from_c), from_c)
        self.twin.enter(0, from_c)

    def _leads(self, verb: str, to: BatchState, *allowed: BatchState) -> bool:
        may = self.now_twin.condition in allowed
        self._act(verb, may)
        self.now_twin.condition = to if may else self.now_twin.condition
        return may

    def _act(self, verb: str, may: bool, **arguments: str | float | bool) -> None:
        self.actions += 1
        action = Action(f"{verb} {self.actions}", "ale", verb, arguments, "test")
        self.state, records = operate(self.cellar, self.state, action, None)
        assert records[-1].value == ("done" if may else "refused"), records[-1].reason

    def _go(self, celsius: float, scans: int) -> None:
        for _ in range(scans):
            self.celsius += min(max(celsius - self.celsius, -0.5), 0.5)
            self._scan()

    def _scan(
        self, dt_s: int = SCAN_S, hears: bool = True, code: bool = False, utc: bool = True, outage_s: int = 0
    ) -> None:
        self.now_s += dt_s
        heard: dict[str, Reading] = {}
        if hears:
            heard["ale/well"] = Reading(85.0 if code else self.celsius, float(self.now_s))
            self.code = code
            self.heard_s = self.heard_s if code else self.now_s
        utc_s = UTC_S + self.utc_off_s + self.now_s if utc else None
        result = step(self.cellar, self.state, Inputs(float(self.now_s), utc_s, heard))
        self.state = result.state
        good = self.heard_s is not None and self.now_s - self.heard_s <= QUIET_S and not self.code
        assert (result.state.vessels["ale"].estimate.drive is not Drive.NOTHING) is good
        if self.twin is None:
            return
        gap = dt_s > GAP_S
        if gap:
            outage_s, dt_s = outage_s + dt_s - TWO_SCANS_S, TWO_SCANS_S
        self.twin.pass_time(dt_s, outage_s, good and not gap, result.state.vessels["ale"].estimate)
        self._compare(self.twin, result)

    def _compare(self, twin: Twin, result: StepResult) -> None:
        now = result.state.vessels["ale"]
        assert [f"{r.subject} {r.value}" for r in result.records if r.kind is RecordKind.STEP] == twin.told
        assert now.condition is twin.condition
        program = now.program
        assert program is not None
        assert (program.step, program.counted_s, program.elapsed_s) == (twin.number, twin.counted_s, twin.elapsed_s)
        assert (program.reached, program.confirmed, program.overtime) == (twin.reached, twin.confirmed, twin.overtime)
        assert now.setpoint == twin.at
        assert now.batch is not None
        assert now.batch.profile == twin.profile


TestAnyCourseOfABatch = ProgramMachine.TestCase
TestAnyCourseOfABatch.settings = examples(300, steps=40)
