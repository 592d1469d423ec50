"""An identification as people see it: where it stands, and what it found as a fragment for the site file.

Nothing here writes a site file, nor anything else: a person copies the fragment, or does not."""

from controller.control.identification import Experiment, Finding, Identification
from controller.control.identify_guard import EXCURSION_K, LONGEST_S
from controller.control.identify_result import gain_text, minutes_text, settings_text
from controller.control.site import Vessel
from controller.control.state import SiteState
from controller.display import Display
from controller.hmi.words import Json, duration_text, moment_text, number, printable, share_text, told


def identification_dict(vessel: Vessel, found: Identification, state: SiteState, display: Display) -> Json:
    """What the status says of it: "running" and "result" are null where there is none, "ended" tells how the last
    experiment ended ("" without one)."""
    experiment, finding = found.experiment, found.finding
    return {
        "running": None if experiment is None else _running(experiment, state, display),
        "result": None if finding is None else _result(vessel, finding, state, display),
        "ended": told(found.ended, display),
    }


def fragment(vessel: Vessel, finding: Finding, when: str, display: Display) -> str:
    """The vessel's `loop` keys for the site file as YAML, with what they rest on in comments."""
    fit, swing = finding.fit, finding.swing
    what = "cooling" if finding.cooled else "heating"
    about = f", {when}" if when else ""
    sure = f"sure to {share_text(fit.slope_sd)}"
    lines = [
        f"{vessel.name}: {finding.method.value} test at {finding.celsius:.1f} °C, {printable(finding.batch)}{about}",
        f"How sure: {what} moves the wort {finding.by_file:.2f} times as far as this file's figures say, {sure};",
        f"dead time {minutes_text(fit.dead_time_s)} ({minutes_text(fit.delay_sd_s)} either way), "
        f"lag {minutes_text(fit.lag_s)};",
        f"{fit.off_k:.2f} K rms of {fit.moved_k:.2f} K are not explained.",
        f"The loop would swing without end at {gain_text(finding.ultimate_gain_w_per_k)}, "
        f"every {minutes_text(finding.ultimate_period_s)}.",
    ]
    if swing is not None:
        lines.append(
            f"The relay's own swing, which is another one: {swing.half_k:.2f} K either way, every "
            f"{minutes_text(swing.period_s)}, seen {swing.seen} times."
        )
    lines.append("Nothing was written. It holds for these powers, this volume and this cycle.")
    return "\n".join(
        [
            *(f"# {told(line, display)}" for line in lines),
            "loop:",
            "  kind: pid",
            f"  gain: {gain_text(finding.gain_w_per_k)}",
            f"  integral: {minutes_text(finding.integral_s)}",
            f"  cycle: {minutes_text(finding.cycle_s)}",
        ]
    )


def _running(experiment: Experiment, state: SiteState, display: Display) -> Json:
    left_s = experiment.began_s + LONGEST_S[experiment.method] - state.now_s
    within = display.difference_text(EXCURSION_K).removeprefix("+")
    centre = display.temperature_text(experiment.centre_c)
    left = f"for another {duration_text(left_s)} at most"
    return {
        "test": experiment.method.value,
        "phase": experiment.phase.value,
        "setpoint_c": number(experiment.centre_c, 2),
        "left_s": number(left_s, 0),
        "text": f"{experiment.method.value} test, within {within} of {centre}, {left}: {experiment.phase.value}",
    }


def _result(vessel: Vessel, finding: Finding, state: SiteState, display: Display) -> Json:
    utc_s = finding.utc_s
    if utc_s is None and state.utc_s is not None:
        utc_s = state.utc_s - (state.now_s - finding.at_s)
    since, fit = moment_text(utc_s, state.utc_s, display), finding.fit
    when = "" if utc_s is None else display.time_text(utc_s, finding.at_s)
    by = f"identified by a {finding.method.value} test{f', {since}' if since else ''}"
    return {
        "test": finding.method.value,
        "since_text": since,
        "gain_w_per_k": number(finding.gain_w_per_k, 2),
        "integral_s": number(finding.integral_s, 0),
        "ultimate_gain_w_per_k": number(finding.ultimate_gain_w_per_k, 2),
        "ultimate_period_s": number(finding.ultimate_period_s, 0),
        "k_per_s_and_w": fit.slope_k_per_j,
        "lag_s": number(fit.lag_s, 0),
        "settles_s": number(fit.settles_s, 0),
        "dead_time_s": number(fit.dead_time_s, 0),
        "effect_sure_to": number(fit.slope_sd, 3),
        "dead_time_sure_to_s": number(fit.delay_sd_s, 0),
        "by_file": number(finding.by_file, 3),
        "fragment": fragment(vessel, finding, when, display),
        "text": f"{by}: {settings_text(finding)}; `cellarhand identify {vessel.name}` prints them for the site file",
    }
