"""SIMC settings, the half rule and ultimate gains against published examples.

Source: S. Skogestad, J. Process Control 13 (2003) 291-309: half rule, settings with tau_c = theta, and its list of
examples E1 to E15 (the list from memory, the figures recomputed from the rule). Ultimate gains and periods: solved
with scipy's brentq and verified with python-control (G(jw) Ku = -1 to 1e-9).
"""

from math import inf

import pytest

from controller.control.simc import FirstOrder, half_rule, pi_settings, ultimate

EXAMPLES = [
    # lags, zeros, dead time -> lag, dead time, Kc, Ti; gain 1, or slope 1 where it integrates
    pytest.param([1.0, 0.2], [], 0.0, 1.1, 0.1, 5.5, 0.8, id="E1"),
    pytest.param([2.0, 1.0, 0.4, 0.2, 0.05, 0.05, 0.05], [-0.3, 0.08], 0.0, 2.5, 1.47, 0.850, 2.5, id="E2"),
    pytest.param([1.0] * 4, [], 0.0, 1.5, 2.5, 0.3, 1.5, id="E4"),
    pytest.param([1.0, 0.2, 0.04, 0.008], [], 0.0, 1.1, 0.148, 3.716, 1.1, id="E5"),
    pytest.param([1.0] * 3, [-2.0], 0.0, 1.5, 3.5, 0.2143, 1.5, id="E7"),
    pytest.param([inf, 1.0, 1.0], [], 0.0, inf, 1.5, 0.3333, 12.0, id="E8 integrating"),
    pytest.param([1.0, 1.0], [], 1.0, 1.5, 1.5, 0.5, 1.5, id="E9"),
    pytest.param([20.0, 2.0], [], 1.0, 21.0, 2.0, 5.25, 16.0, id="E10"),
    pytest.param([6.0, 2.0, 2.0], [-1.0], 1.0, 7.0, 5.0, 0.7, 7.0, id="E11"),
    pytest.param([inf], [-1.0], 0.0, inf, 1.0, 0.5, 8.0, id="E14 integrating"),
    pytest.param([1.0], [-1.0], 0.0, 1.0, 1.0, 0.5, 1.0, id="E15"),
]


@pytest.mark.parametrize(("lags_s", "zeros_s", "theta_s", "lag_s", "dead_time_s", "kc", "ti_s"), EXAMPLES)
def test_the_published_examples(
    lags_s: list[float], zeros_s: list[float], theta_s: float, lag_s: float, dead_time_s: float, kc: float, ti_s: float
) -> None:
    slope = 1.0 if inf in lags_s else 1.0 / max(lags_s)
    process = half_rule(slope, lags_s, theta_s, zeros_s)
    assert process.lag_s == pytest.approx(lag_s)
    assert process.dead_time_s == pytest.approx(dead_time_s)
    settings = pi_settings(process, process.dead_time_s)
    assert settings.gain == pytest.approx(kc, rel=0.005)
    assert settings.integral_s == pytest.approx(ti_s, rel=0.005)


@pytest.mark.parametrize(
    ("k", "tau_s", "theta_s", "tau_c_s", "kc", "ti_s"),
    [(2, 100, 10, 10, 2.5, 80), (0.5, 7200, 600, 600, 12, 4800), (0.5, 7200, 600, 1800, 6, 7200),
     (1.2, 3600, 120, 240, 8.3333, 1440)],
)  # fmt: skip
def test_a_process_of_first_order(
    k: float, tau_s: float, theta_s: float, tau_c_s: float, kc: float, ti_s: float
) -> None:
    settings = pi_settings(FirstOrder(k / tau_s, tau_s, theta_s), tau_c_s)
    assert settings.gain == pytest.approx(kc, rel=1e-4)
    assert settings.integral_s == pytest.approx(ti_s)


@pytest.mark.parametrize(
    ("k", "tau_s", "theta_s", "gain", "period_s"),
    [
        (1.0, 1.0, 1.0, 2.261826, 3.097060),
        (1.0, 10.0, 1.0, 16.350554, 3.850004),
        (2.0, 20.0, 2.0, 8.175277, 7.700008),
        (0.5, 100.0, 20.0, 17.004850, 74.415227),
        (1.0, 3600.0, 300.0, 19.491160, 1162.029162),
    ],
)
def test_ultimate_gain_and_period(k: float, tau_s: float, theta_s: float, gain: float, period_s: float) -> None:
    found = ultimate(FirstOrder(k / tau_s, tau_s, theta_s))
    assert found.gain == pytest.approx(gain, rel=1e-5)
    assert found.period_s == pytest.approx(period_s, rel=1e-5)


def test_ultimate_gain_and_period_of_an_integrating_process() -> None:
    found = ultimate(FirstOrder(0.01, inf, 5.0))
    assert found.gain == pytest.approx(31.41593, rel=1e-6)
    assert found.period_s == 20.0


def test_the_tight_choice_leaves_a_gain_margin_of_pi() -> None:
    # Closed form: Ku = pi / (2 k' theta) over Kc = 1 / (2 k' theta) is pi for the proportional part alone. With its
    # integral part the paper gives 2.96 (Table 2, from memory), to which test_pid_and_step_response.py holds our loop.
    process = FirstOrder(0.01, inf, 5.0)
    assert ultimate(process).gain / pi_settings(process, 5.0).gain == pytest.approx(3.14159, rel=1e-5)


@pytest.mark.parametrize("process", [FirstOrder(0.0, inf, 5.0), FirstOrder(1.0, 5.0, 0.0)])
def test_what_cannot_be_regulated_so_is_said(process: FirstOrder) -> None:
    with pytest.raises(ValueError, match="process"):
        pi_settings(process, 0.0)
    with pytest.raises(ValueError, match="process"):
        ultimate(process)
