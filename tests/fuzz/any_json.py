"""JSON as a broken or hostile program writes it: odd numbers, repeated keys, depth, half characters, no text at all."""

import json

from hypothesis import strategies as st

ODD_NUMBERS = st.sampled_from(
    [
        "NaN",
        "-Infinity",
        "1e999",
        "-0",
        "1e-999",
        "9" * 4300,
        "9" * 4301,
        "0." + "3" * 5000,
        "1E+2",
        "00",
        "0x10",
        "1_0",
    ]
)
SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12),
    st.sampled_from(["\ud800", "\0", "x" * 300, "19.5", "nan", "2026-11-03T18:00:00Z", "9999-99-99T99:99:99+99:99"]),
)  # fmt: skip
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)


def deep(depth: int, bracket: str = "[") -> str:
    """Nested so deep."""
    return bracket * depth + "1" + {"[": "]", '{"a":': "}"}[bracket] * depth


def objects(*keys: str) -> st.SearchStrategy[bytes]:
    """An object whose keys are mostly these: each several times, in any order, with anything behind them; sometimes
    torn, sometimes with bytes that are no UTF-8."""
    texts = st.one_of(
        VALUES.map(lambda value: json.dumps(value)),
        ODD_NUMBERS,
        st.sampled_from([deep(900), deep(3000), deep(990, '{"a":')]),
    )
    members = st.tuples(st.sampled_from([*keys, *keys, "other", ""]), texts)
    whole = st.lists(members, max_size=8).map(
        lambda pairs: ("{" + ",".join(f"{json.dumps(key)}:{text}" for key, text in pairs) + "}").encode()
    )
    torn = st.tuples(whole, st.integers(0, 60), st.binary(max_size=4)).map(
        lambda t: t[0][: t[1]] + t[2] + t[0][t[1] + 1 :]
    )
    return st.one_of(whole, whole, torn, st.binary(max_size=80), texts.map(str.encode))
