"""A profile as the brewer writes it, and as the core runs it."""

from pathlib import Path
from textwrap import dedent

import pytest

from controller.control.course import Profile, StepKind
from controller.faults import Fault, FileFaults
from controller.profiles import Evidence, load_evidence, load_profile, load_profiles
from controller.shipped import shipped_path

LAGER = dedent("""\
    title: Lager, five weeks
    about: Pitch cold, rise at the end, rest, cool slowly.
    units: C
    steps:
      - name: primary
        kind: hold
        target: 10
        ends: {attenuation: 60 %, after: 4 d}
        at_most: 14 d
        why:
          target: {range: 8 C to 12 C, source: "common practice, no source"}
          attenuation: {range: 50 % to 75 %, source: "common practice, no source"}
      - name: free rise
        kind: free rise
        ceiling: 59 F
        floor: 10 C
        ends: {gravity: 3.5 P, reached: true}
        at_most: P7D
      - name: diacetyl rest
        kind: rest
        target: 15 C
        tolerance: 1 K
        ends: {after: 48 h, steady: 2 d, confirmed: "Is the forced diacetyl test clean?"}
        at_most: 10 d
        note: Warm a sample, smell it.
      - name: down
        kind: ramp
        target: 4 C
        rate: 1.8 F diff/d
        at_most: 14 d
        at_longest: go on
        why:
          rate: {range: 0.5 K/d to 2 K/d, source: "common practice, no source"}
      - name: quick down
        kind: ramp
        target: 3 C
        over: 12 h
        at_most: 2 d
      - name: crash
        kind: crash
        target: 1 C
        ends: {reached: true}
        at_most: 3 d
    """)


def written(directory: Path, text: str, name: str = "lager.yaml") -> Path:
    path = directory / name
    path.write_text(text)
    return path


def fault_of(directory: Path, old: str, new: str) -> Fault:
    assert LAGER.count(old) == 1
    with pytest.raises(FileFaults) as caught:
        load_profile(written(directory, LAGER.replace(old, new)))
    assert len(caught.value.faults) == 1, str(caught.value)
    return caught.value.faults[0]


@pytest.fixture
def lager(tmp_path: Path) -> Profile:
    return load_profile(written(tmp_path, LAGER))


def test_a_profile_is_named_by_its_file(lager: Profile) -> None:
    assert (lager.name, lager.title, len(lager.steps)) == ("lager", "Lager, five weeks", 6)


def test_all_that_is_given_ends_a_step(lager: Profile) -> None:
    primary, rise, rest = lager.steps[:3]
    assert primary.ends.after_s == 4 * 86_400.0
    assert primary.ends.attenuation == pytest.approx(0.6)
    # ASBC tables: 3.5 P is 1.0137 at 20/20 C
    assert rise.ends.gravity == pytest.approx(1.0137, abs=1e-4)
    assert rise.ends.reached
    assert (rest.ends.after_s, rest.ends.steady_s) == (172_800.0, 172_800.0)
    assert rest.ends.confirmed == "Is the forced diacetyl test clean?"


def test_a_free_rise_has_a_ceiling_and_a_floor(lager: Profile) -> None:
    rise = lager.steps[1]
    assert rise.kind is StepKind.FREE_RISE
    assert rise.target_c == pytest.approx(15.0)
    assert rise.floor_c == 10.0


def test_a_ramp_has_a_rate_or_a_time(lager: Profile) -> None:
    slow, quick = lager.steps[3:5]
    assert slow.rate_k_per_s == pytest.approx(1.0 / 86_400.0)
    assert slow.over_s is None
    assert quick.over_s == 43_200.0


def test_a_step_holds_at_its_longest_time_unless_it_says_go_on(lager: Profile) -> None:
    assert [step.goes_on for step in lager.steps] == [False, False, False, True, False, False]
    assert lager.steps[0].tolerance_k == 0.5
    assert lager.steps[2].tolerance_k == 1.0


def test_a_step_never_goes_on_past_a_question(tmp_path: Path) -> None:
    fault = fault_of(tmp_path, "note: Warm a sample, smell it.", "at_longest: go on")
    assert fault.key == "steps.diacetyl rest.at_longest"


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("at_most: P7D", "note: no guard", "free rise.at_most"),
        ("    target: 1 C\n", "", "crash.target"),
        ("target: 10\n", "ceiling: 10\n    target: 10\n", "primary.ceiling"),
        ("floor: 10 C", "floor: 20 C", "free rise.floor"),
        ("tolerance: 1 K", "floor: 10 C", "diacetyl rest.floor"),
        ("tolerance: 1 K", "tolerance: 1 C", "diacetyl rest.tolerance"),
        ("over: 12 h", "note: how fast?", "quick down.over"),
        ("over: 12 h", "over: 12 h\n    rate: 1 K/d", "quick down.over"),
        ("tolerance: 1 K", "rate: 1 K/d", "diacetyl rest.over"),
        ("ends: {gravity: 3.5 P, reached: true}", "ends: {}", "free rise.ends"),
        ("ends: {gravity: 3.5 P, reached: true}", "ends: {reached: false}", "free rise.ends.reached"),
        ("ends: {gravity: 3.5 P, reached: true}", "ends: {gravity: 3.5}", "free rise.ends.gravity"),
        ("ends: {gravity: 3.5 P, reached: true}", "ends: {atenuation: 70 %}", "free rise.ends.atenuation"),
        ("at_most: 10 d", "at_most: 24 h", "diacetyl rest.at_most"),
        ("name: crash", "name: down", "down.name"),
        ("kind: crash", "kind: chill", "crash.kind"),
        ("target: 4 C\n    rate: 1.8 F diff/d", "target: 4 C\n    rate: 0.5 K/d", "down.at_most"),
        ("{range: 8 C to 12 C", "{range: 11 C to 12 C", "primary.why.target"),
        ("{range: 8 C to 12 C", "{range: 12 C to 8 C", "primary.why.target"),
        ("{range: 8 C to 12 C", "{range: about 10 C", "primary.why.target"),
        ("      target: {range", "      over: {range", "primary.why.over"),
        ("      target: {range", "      colour: {range", "primary.why.colour"),
    ],
)
def test_a_step_that_cannot_be_run_is_refused(tmp_path: Path, old: str, new: str, key: str) -> None:
    assert fault_of(tmp_path, old, new).key == f"steps.{key}"


def test_a_bare_temperature_needs_the_units_of_the_file(tmp_path: Path) -> None:
    assert fault_of(tmp_path, "units: C\n", "").key == "steps.primary.target"


def test_the_evidence_of_a_profile(tmp_path: Path) -> None:
    evidence = load_evidence(written(tmp_path, LAGER))
    assert evidence[0] == Evidence("primary", "target", "10", 8.0, 12.0, "common practice, no source")
    assert evidence[1].low == pytest.approx(0.5)
    assert evidence[2].step == "down"
    assert evidence[2].high * 86_400 == pytest.approx(2.0)


def test_the_file_name_is_the_profiles_name_and_must_be_a_short_one(tmp_path: Path) -> None:
    with pytest.raises(FileFaults, match="My Lager"):
        load_profile(written(tmp_path, LAGER, "My Lager.yaml"))


def test_a_directory_of_profiles_reports_the_faults_of_all_files(tmp_path: Path) -> None:
    written(tmp_path, LAGER, "good.yaml")
    assert list(load_profiles(tmp_path)) == ["good"]
    written(tmp_path, "title: A\n", "a.yaml")
    written(tmp_path, "title: B\n", "b.yaml")
    with pytest.raises(FileFaults) as caught:
        load_profiles(tmp_path)
    assert [Path(fault.file).name for fault in caught.value.faults] == ["a.yaml", "b.yaml"]


def test_an_empty_or_missing_directory_is_a_fault(tmp_path: Path) -> None:
    for directory in (tmp_path, tmp_path / "nowhere"):
        with pytest.raises(FileFaults, match="no profile"):
            load_profiles(directory)


def test_the_profiles_that_come_with_the_daemon_load() -> None:
    profiles = load_profiles(shipped_path("profiles"))
    assert len(profiles) >= 1
    assert all(profile.title for profile in profiles.values())
