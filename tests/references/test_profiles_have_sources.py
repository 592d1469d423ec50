"""The shipped profiles: every temperature, time and attenuation says from where it comes, and lies in that range."""

from pathlib import Path

import pytest

from controller.control.course import ProfileStep, StepKind
from controller.profiles import Evidence, load_evidence, load_profile

PROFILES = sorted((Path(__file__).parents[2] / "profiles").glob("*.yaml"))
WITHOUT_SOURCE = ("common practice", "from memory")


def evidence_of(path: Path) -> dict[tuple[str, str], Evidence]:
    return {(evidence.step, evidence.key): evidence for evidence in load_evidence(path)}


def figures(step: ProfileStep) -> dict[str, float]:
    """The figures of the step that need a source, in °C, K/s, s, specific gravity and 0..1."""
    given = {
        "ceiling" if step.kind is StepKind.FREE_RISE else "target": step.target_c,
        "floor": step.floor_c,
        "rate": step.rate_k_per_s,
        "over": step.over_s,
        "after": step.ends.after_s,
        "steady": step.ends.steady_s,
        "attenuation": step.ends.attenuation,
        "gravity": step.ends.gravity,
        "at_most": step.at_most_s,
    }
    return {key: value for key, value in given.items() if value is not None}


def test_there_are_at_least_six_profiles() -> None:
    assert len(PROFILES) >= 6


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_every_figure_of_a_profile_has_a_range_and_a_source(path: Path) -> None:
    known = evidence_of(path)
    for step in load_profile(path).steps:
        for key in figures(step):
            assert (step.name, key) in known, f"{step.name}: {key} has no source"
            assert len(known[step.name, key].source) > 10, f"{step.name}: {key}"


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_every_figure_lies_within_the_range_of_its_source(path: Path) -> None:
    known = evidence_of(path)
    for step in load_profile(path).steps:
        for key, value in figures(step).items():
            evidence = known[step.name, key]
            assert evidence.low - 1e-9 <= value <= evidence.high + 1e-9, f"{step.name}: {key} {evidence.value_text}"


def test_at_most_half_of_the_sources_are_memory_or_common_practice() -> None:
    sources = [evidence.source for path in PROFILES for evidence in load_evidence(path)]
    weak = [source for source in sources if any(words in source.lower() for words in WITHOUT_SOURCE)]
    assert len(weak) <= len(sources) / 2, f"{len(weak)} of {len(sources)}"


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_a_profile_begins_with_the_pitch_and_ends_cold(path: Path) -> None:
    # Common practice, no source: the brewer pitches at the pitching temperature; the beer is kept cold at the end.
    first, *_, last = load_profile(path).steps
    assert first.ends.reached
    assert "pitched" in first.ends.confirmed
    assert last.target_c <= 5.0
    assert last.ends.after_s is not None or last.ends.confirmed


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_no_beer_is_crashed_before_its_gravity_stood_still_for_three_days(path: Path) -> None:
    # Source: Mad Hopper Brewing, Ale Fermentation and Lager Fermentation: at least three days.
    steps = load_profile(path).steps
    crash = next(i for i, step in enumerate(steps) if step.kind is StepKind.CRASH)
    assert any((step.ends.steady_s or 0.0) >= 3 * 86400 for step in steps[:crash])
    assert "vacuum" in steps[crash].note


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_a_crash_stays_above_the_freezing_point_of_water(path: Path) -> None:
    # The program keeps beer of unknown alcohol above 0 °C and a margin; one kelvin is left for it.
    assert all(step.target_c >= 1.0 for step in load_profile(path).steps)


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_whoever_adds_something_late_is_warned_of_foam(path: Path) -> None:
    for step in load_profile(path).steps:
        if "additions" in step.ends.confirmed:
            assert "foam" in step.note


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_a_later_step_never_waits_for_less_attenuation_than_an_earlier_one(path: Path) -> None:
    asked = [step.ends.attenuation for step in load_profile(path).steps if step.ends.attenuation is not None]
    assert asked
    assert asked == sorted(asked)
