"""Hypothesis profiles of all tests: the usual one, and `--hypothesis-profile=long` for a night."""

from hypothesis import settings

settings.register_profile("long", max_examples=2000, stateful_step_count=100, deadline=None, print_blob=True)
