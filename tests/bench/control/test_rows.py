"""Rows: what is asked, what is met, who is worst."""

from dataclasses import replace

from tests.bench.control.judge import Believed, Heat, Hold, Landing, Verdict
from tests.bench.control.least import Pulses
from tests.bench.control.opposed import Opposed
from tests.bench.control.page import page
from tests.bench.control.parts import Plot, Result
from tests.bench.control.rows import Row, believed_rows, heat_row, holds_rows, landing_row, opposed_row
from tests.bench.control.runs import OURS, RIVALS

HOLD = Hold(
    where="fv1 hold", target_c=18.0, hours=48.0, rms_k=0.11, mean_k=0.0, floor_k=0.10, starts_per_day=46.0, busiest=47,
    half_tooth_k=0.15, load_w=30.0, duty=0.2, changes_sign=False,
    pulses=Pulses(((0.01,) * 288,), 0.05, 0.05),
)  # fmt: skip
LANDING = Landing("fv1 crash", "crash", 0.2, 0.15, 12.0)


def verdict(
    hold: Hold = HOLD, landing: Landing = LANDING, used_h: float = 10.0, seed: int = 1, both_k: float = 0.0
) -> Verdict:
    believed = Believed("fv1", 0.02, {"coil/C": 1.05})
    return Verdict(seed, believed, (hold,), (landing,), Heat("fv1", used_h, 10.0), Opposed("fv1", 12.0, both_k, 0.5))


def test_heat_and_cold_beyond_balance_and_a_tooth() -> None:
    most_k = 0.5 + 2.0 * HOLD.half_tooth_k + 0.10
    for both_k, kept in ((most_k - 0.01, True), (most_k + 0.01, False)):
        assert opposed_row({OURS: [verdict(both_k=both_k)]}, 24.0, 0.0, "cellar").met is kept


def met(rows: list[Row]) -> list[bool]:
    return [row.met for row in rows]


def test_a_good_hold_meets_all_three_rows() -> None:
    assert met(holds_rows({OURS: [verdict()]}, 48.0, 0.0, "cellar")) == [True, True, True]


def test_each_row_of_a_hold_is_broken_by_its_own_figure() -> None:
    broken = ((0, replace(HOLD, rms_k=0.12)), (1, replace(HOLD, busiest=51)), (2, replace(HOLD, starts_per_day=38.0)))
    for number, hold in broken:
        rows = holds_rows({OURS: [verdict(hold)]}, 48.0, 0.0, "cellar")
        assert met(rows) == [number != 0, number != 1, number != 2]


def test_a_load_that_turns_is_a_reason_where_the_rest_is_good() -> None:
    turning = replace(HOLD, steady=0.5, steady_pulses=Pulses(((0.01,) * 144,), 0.05, 0.05))
    few, restless = replace(turning, starts_per_day=20.0), replace(turning, rms_k=0.12, steady_floor_k=0.08)
    for number, hold, steady_rms_k, said in (
        (2, few, 0.049, "reason"), (2, few, 0.051, "NOT MET"), (2, replace(few, steady=1.0), 0.049, "NOT MET"),
        (0, restless, 0.091, "reason"), (0, restless, 0.093, "NOT MET"),
    ):  # fmt: skip
        row = holds_rows({OURS: [verdict(replace(hold, steady_rms_k=steady_rms_k))]}, 48.0, 0.0, "cellar")[number]
        assert row.verdict == said
        assert all("in 50% of the time the load turns" in figure.reason for figure in row.reasons)
    explained = replace(few, steady_rms_k=0.04)
    row = holds_rows({OURS: [verdict(hold) for hold in (explained, few)]}, 48.0, 0.0, "cellar")[2]
    assert (row.verdict, row.kept(OURS)) == ("NOT MET", "0/2")
    assert "in 50% of the time" in page([Result("cellar", [row])])


def test_pulses_that_cannot_be_smaller_are_a_reason_for_what_they_leave() -> None:
    """Pulses of 0.4 K leave a tooth of 0.4 K: 0.4 / sqrt(12) = 0.115 K at the least, and that times 1.15 is 0.133."""
    coarse = replace(HOLD, pulses=Pulses(((0.01,) * 2880,), 0.4, 0.4))
    for number, hold in ((0, coarse), (2, replace(coarse, starts_per_day=20.0))):
        for rms_k, said in ((0.128, "reason"), (0.138, "NOT MET")):
            row = holds_rows({OURS: [verdict(replace(hold, rms_k=rms_k))]}, 48.0, 0.0, "cellar")[number]
            assert row.verdict == said


def test_starts_that_no_probe_could_tell_are_not_missed() -> None:
    for daily_k, said in ((2.3, "reason"), (2.5, "NOT MET")):  # 0.8 x 48 starts of 1/16 K are 2.4 K
        hold = replace(HOLD, starts_per_day=20.0, daily_k=daily_k)
        assert holds_rows({OURS: [verdict(hold)]}, 48.0, 0.0, "cellar")[2].verdict == said


def test_a_loss_that_the_yeast_hides_is_a_reason_as_far_as_it_hides_it() -> None:
    for sd, said in ((0.0, "NOT MET"), (0.19, "NOT MET"), (0.21, "reason")):
        hidden = replace(verdict(), believed=Believed("fv1", 0.02, {"loss/C": 0.6, "coil/C": 0.6}, sd))
        *_, coil, _, loss = believed_rows({OURS: [hidden]}, "cellar")
        assert (coil.verdict, loss.verdict) == ("NOT MET", said)


def test_layers_are_a_reason_where_the_well_itself_is_well_known() -> None:
    for felt_k, said in ((0.031, "NOT MET"), (0.029, "reason")):
        layered = replace(verdict(), believed=Believed("fv1", 0.06, {}, felt_rms_k=felt_k))
        assert believed_rows({OURS: [layered]}, "cellar")[0].verdict == said


def test_only_a_day_of_steady_load_is_held_against_the_budget() -> None:
    for busiest, met_ in ((51, False), (None, True)):
        assert holds_rows({OURS: [verdict(replace(HOLD, busiest=busiest))]}, 48.0, 0.0, "cellar")[1].met is met_


def test_a_wort_within_half_a_step_of_the_probe_is_good_whatever_its_floor() -> None:
    quiet = replace(HOLD, rms_k=0.035, floor_k=0.001, starts_per_day=3.0)
    assert met(holds_rows({OURS: [verdict(quiet)]}, 48.0, 0.0, "cellar")) == [True, True, True]


def test_loads_that_change_sign_and_many_starts_are_asked_less() -> None:
    wide = replace(HOLD, rms_k=0.129)
    assert not holds_rows({OURS: [verdict(wide)]}, 48.0, 0.0, "cellar")[0].met
    assert holds_rows({OURS: [verdict(replace(wide, changes_sign=True))]}, 48.0, 0.0, "cellar")[0].met
    assert holds_rows({OURS: [verdict(replace(wide, rms_k=0.134))]}, 120.0, 0.0, "cellar")[0].met
    assert holds_rows({OURS: [verdict(replace(wide, rms_k=0.164))]}, 48.0, 0.05, "plants")[0].met


def test_a_landing_is_asked_half_a_tooth_more_and_no_more_than_0_2_where_starts_are_many() -> None:
    for past_k, budget, good in ((0.24, 48.0, True), (0.26, 48.0, False), (0.21, 120.0, False), (0.19, 120.0, True)):
        row = landing_row({OURS: [verdict(landing=replace(LANDING, past_k=past_k))]}, budget, 0.0, "cellar")
        assert row.met is good, (past_k, budget)
    assert not landing_row({OURS: [verdict(landing=replace(LANDING, past_k=None))]}, 48.0, 0.0, "cellar").met


def test_what_the_shortest_pulse_does_is_a_reason_for_half_a_tooth_past_and_for_a_tooth_undone() -> None:
    for shortest_k, said in ((0.79, "NOT MET"), (0.81, "reason")):
        landing = replace(LANDING, past_k=0.5, shortest_k=shortest_k)
        assert landing_row({OURS: [verdict(landing=landing)]}, 48.0, 0.0, "cellar").verdict == said
    for shortest_k, said in ((0.59, "NOT MET"), (0.61, "reason")):
        undone = replace(verdict(), opposed=Opposed("fv1", 12.0, 1.2, 0.5, shortest_k))
        assert opposed_row({OURS: [undone]}, 48.0, 0.0, "cellar").verdict == said


def test_heater_hours() -> None:
    assert heat_row({OURS: [verdict(used_h=10.7)]}, 48.0, 1.05, 0.3, "cellar").met
    assert not heat_row({OURS: [verdict(used_h=10.9)]}, 48.0, 1.05, 0.3, "cellar").met


def test_rivals_are_shown_and_do_not_decide_and_the_worst_plant_is_named() -> None:
    bad = verdict(landing=replace(LANDING, past_k=2.0, where="fv9"), seed=9)
    row = landing_row({OURS: [verdict()], RIVALS[0]: [verdict(), bad]}, 48.0, 0.0, "cellar")
    assert row.met
    worst = row.worst(RIVALS[0])
    assert worst is not None
    assert (worst.seed, worst.where) == (9, "crash: fv9")
    assert row.kept(RIVALS[0]) == "1/2"


def test_what_nobody_measured_is_not_met() -> None:
    estimate, coil, heater, _ = believed_rows({OURS: [verdict()]}, "cellar")
    assert estimate.met
    assert coil.met
    assert not heater.met


def test_the_page_shows_rows_and_pictures_and_escapes_what_it_is_told() -> None:
    row = landing_row({OURS: [verdict(landing=replace(LANDING, where="<fv1>"))]}, 48.0, 0.0, "cellar")
    plot = Plot("steps", "K", "x floor", {OURS: [(0.1, 1.0), (0.2, None), (0.3, 2.0)]})
    text = page([Result("cellar", [row], notes=["a & b"], plots=[plot])])
    assert "&lt;fv1&gt;" in text
    assert "<fv1>" not in text
    assert "a &amp; b" in text
    assert text.count("<svg") == 1
