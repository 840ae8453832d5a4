"""Strategies for policies that nobody published, written as a lab would write them, as JSON."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from inventory.rules.levels import LEVELS, USES
from inventory.rules.policy_data import Policy
from inventory.rules.policy_rows import CLASSES, CLOSURES, INTERVAL_MAX
from inventory.rules.signs import SIGNS

_SOURCE = st.just("made up")
_THEN = st.sampled_from(LEVELS[1:])
_USES = st.lists(st.sampled_from(USES), min_size=1, max_size=5, unique=True)
_ORIGINS = st.lists(
    st.sampled_from(["purchased", "made-here", "recovered", "blend"]), min_size=1, max_size=4, unique=True
)
_AMOUNT = st.decimals("0.001", "200", places=3).map(str)


def _some(values: Any) -> st.SearchStrategy[list[Any]]:
    return st.lists(st.sampled_from(values), min_size=1, max_size=3, unique=True)


_INTERVAL = st.one_of(
    *(st.integers(0, most).map(lambda n, unit=unit: {unit: n}) for unit, most in INTERVAL_MAX.items()),  # type: ignore[misc]
    st.integers(0, 24).map(lambda n: {"months": n}),
)
RULES = st.builds(
    lambda row, interval: row | interval,
    st.fixed_dictionaries(
        {
            "class": st.sampled_from(CLASSES),
            "counts_from": st.sampled_from(["opened", "received", "made", "test"]),
            "source": _SOURCE,
        },
        optional={
            "opened": st.booleans(),
            "inhibited": st.booleans(),
            "origins": _ORIGINS,
            "atmosphere": st.sampled_from(["air", "inert"]),
            "ends_in": st.sampled_from(["test", "dispose"]),
        },
    ),
    _INTERVAL,
)
_EDGES = st.one_of(
    _AMOUNT.map(lambda n: {"from": n}),
    _AMOUNT.map(lambda n: {"above": n, "unit": "mg/L"}),
    _AMOUNT.map(lambda n: {"from": n, "unit": "mass-ppm"}),
    st.just({"detected": True}),
)
LEVEL_ROWS = st.builds(
    lambda row, edge: row | edge,
    st.fixed_dictionaries({"then": _THEN, "source": _SOURCE}, optional={"uses": _USES}),
    _EDGES,
)
HANDLING = st.fixed_dictionaries(
    {"then": _THEN, "source": _SOURCE},
    optional={
        "class": _some([*CLASSES, "none"]),
        "opened": st.booleans(),
        "inhibited": st.booleans(),
        "signs": _some(SIGNS),
        "closures": _some(CLOSURES),
        "age_unknown": st.just(True),
        "origin_unknown": st.just(True),
        "expired_more_than_months": st.integers(0, 600),
        "uses": _USES,
    },
).filter(lambda row: row.keys() - {"then", "source", "uses"})
STOP = {"from": "100", "then": "do-not-use", "source": "made up"}
BODIES = st.fixed_dictionaries(
    {
        "key": st.just("made-up"),
        "name": st.text(min_size=1, max_size=20).filter(lambda s: s.strip() and "\x00" not in s),
        "source": _SOURCE,
        "rules": st.lists(RULES, min_size=1, max_size=8),
        "levels": st.lists(LEVEL_ROWS, max_size=4).map(lambda rows: [*rows, STOP]),
    },
    optional={
        "handling": st.lists(HANDLING, max_size=4),
        "expiry_ends_in": st.sampled_from(["test", "dispose"]),
        "distilling": st.just({"heel_percent": "12.5", "heel_source": "s"}),
    },
)
MADE_UP = BODIES.map(Policy.from_json)
