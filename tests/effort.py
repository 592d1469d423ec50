"""How much of the machine's time a property test takes: modest in the suite, more in a long run."""

from hypothesis import HealthCheck, settings

USUAL_EXAMPLES = 100  # of hypothesis's own default profile


def examples(usual: int, steps: int | None = None) -> settings:
    """Settings with `usual` examples, of `steps` steps each in a state machine. With `--hypothesis-profile=long`
    (`tests/conftest.py`), twenty times as many."""
    scale = settings().max_examples / USUAL_EXAMPLES
    chosen = settings(
        max_examples=max(1, round(usual * scale)),
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    return chosen if steps is None else settings(chosen, stateful_step_count=steps)
