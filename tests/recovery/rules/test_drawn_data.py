"""From a solvent balance, a chart and a plan to their pictures: nothing is added and nothing is left out."""

from __future__ import annotations

from collections import defaultdict
from datetime import date
from decimal import Decimal
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from recovery.rules.loss_watch import Point
from recovery.rules.pictures.balance_flows import NODES, flows_of
from recovery.rules.pictures.flow_diagram import FlowDiagram
from recovery.rules.pictures.plan_yields import yields_of
from recovery.rules.rates import Rate
from recovery.rules.run_rules import RULES
from recovery.rules.solvent_balance import Cell, SolventFlows, report
from recovery.rules.solvent_terms import load_terms
from recovery.selectors.drawn_losses import SAME, drawn
from recovery.selectors.loss_series import ChartReset, ChartRun, ChartSignal, LossChart

TABLE = load_terms()
ETHER = Decimal("713.6")
KINDS = (
    "container", "run", "blending", "supplier", "made-here", "before-counting", "water-layer", "air",
    "still-residue", "product", "reaction", "waste-container", "waste-contractor", "count-difference",
    "unaccounted",
)  # fmt: skip
PAIRS = st.tuples(st.sampled_from(KINDS), st.sampled_from(KINDS)).filter(lambda pair: pair[0] != pair[1])
CELLS = st.dictionaries(PAIRS, st.integers(0, 10**9), max_size=25)
COLUMN = {node.key: node.column for node in NODES}


def flows(before: dict[Any, int], during: dict[Any, int], name: str = "Ether") -> SolventFlows:
    def cells(moved: dict[Any, int]) -> tuple[Cell, ...]:
        return tuple(Cell(source, target, volume) for (source, target), volume in moved.items())

    return SolventFlows(name, name, ETHER, cells(before), cells(during))


def sums(flow: FlowDiagram) -> tuple[dict[str, float], dict[str, float]]:
    into: dict[str, float] = defaultdict(float)
    out: dict[str, float] = defaultdict(float)
    for band in flow.bands:
        out[band.source] += band.amount
        into[band.target] += band.amount
    return into, out


@given(CELLS, CELLS)
def test_containers_and_runs_get_what_they_give(before: dict[Any, int], during: dict[Any, int]) -> None:
    """With opening and closing stock, to the microlitre, whatever moved; bands lead to the right alone."""
    made = report([flows(before, during)], TABLE)
    flow = flows_of(made)
    assert all(COLUMN[band.source] < COLUMN[band.target] for band in flow.bands)
    assert all(band.amount > 0 for band in flow.bands)
    into, out = sums(flow)
    for kind in ("container", "run"):
        opening, closing = made.solvents[0].stock.get(kind, (0, 0))
        below_zero = min(opening, 0) - min(closing, 0)
        assert round((into[kind] - out[kind]) * 1000) == -below_zero
    assert into["back"] == out["again"]


def test_several_solvents_add_up_in_mass() -> None:
    """Volumes of unlike solvents do not add: 1 L of ether is 713.6 g."""
    bought = {("supplier", "container"): 1_000_000}
    one, two = flows({}, bought), flows({}, bought, "Other")
    assert sums(flows_of(report([one], TABLE)))[0]["container"] == 1000
    both = flows_of(report([one, two], TABLE))
    assert both.measure == "mass"
    assert abs(sums(both)[0]["container"] - 2 * 713.6) < 1e-9


def test_no_movement_is_a_picture_of_nothing() -> None:
    assert flows_of(report([], TABLE)).bands == ()


# -- losses


def chart(points: list[Point], **more: Any) -> LossChart:
    runs = tuple(
        ChartRun(place + 1, date(2026, 1 + place // 28, 1 + place % 28), 500_000, 100_000, False, point)
        for place, point in enumerate(points)
    )
    facts: dict[str, Any] = {"signals": (), "resets": (), "missing": 0, **more}
    return LossChart(
        name="still 2", solvent="ether", solvent_name="ether", runs=runs, rate=Rate(len(runs), 0.2),
        baseline_runs=10, width=3.0, words="", notes=(), without_return=0, still_open=0, **facts,
    )  # fmt: skip


def watched(count: int = 16) -> list[Point]:
    found = [Point(0.2, "baseline", 0, 0.2, 0.01, 0.17, 0.23) for _ in range(10)]
    broken = ("western-electric-1", "nelson-1", "nelson-5", "ewma")
    return found + [
        Point(0.4, "watched", 0, 0.2, 0.01, 0.17, 0.23, 0.2, 0.04, 0.3, 0.19, 0.21, 0.1, 0.0, 0.05, broken)
        for _ in range(count - 10)
    ]


def test_every_run_is_drawn_in_per_cent_with_its_rules_once() -> None:
    made = drawn(chart(watched()), panels=("runs", "moving-range", "ewma", "cusum"), last=60)
    assert [len(panel.points) for panel in made.panels] == [16] * 4
    first, last = made.panels[0].points[0], made.panels[0].points[-1]
    assert (first.value, last.value) == (20, 40)
    assert (first.rules, last.rules) == ((), ("E", "W1", "N5"))
    assert [short for short, _ in made.rules] == ["E", "W1", "N5"]
    assert all("19" in words or "NIST" in words for _, words in made.rules)
    assert [(span.first, span.last, span.role) for span in made.spans] == [(0, 9, "baseline")]
    assert {line.words: line.values[-1] for line in made.panels[0].lines}["upper limit (3 sigma)"] == 23


def test_rules_that_are_named_once_are_the_same_rule() -> None:
    """L. S. Nelson 1984 took three over from the handbook of 1956: both must look at the same runs."""
    for nelson, older in SAME.items():
        assert (RULES[nelson].words, RULES[nelson].span) == (RULES[older].words, RULES[older].span)


def test_the_last_runs_keep_their_signals_repairs_and_places() -> None:
    points = watched()
    rate = Rate(6, 0.4)
    signals = (
        ChartSignal("more", 10, 11, None, "", "still 2 loses more", rate, rate),
        ChartSignal("less", 1, 2, 4, "in-control", "ended long ago", rate, rate),
    )
    resets = (
        ChartReset(12, date(2026, 1, 12), "repaired", "Still 2"),
        ChartReset(2, date(2026, 1, 2), "changed", "x"),
    )
    made = drawn(chart(points, signals=signals, resets=resets), last=8)
    assert len(made.panels[0].points) == 8
    assert made.panels[0].points[0].name == "run 9"
    assert [(span.first, span.last, span.role) for span in made.spans] == [
        (0, 1, "baseline"),
        (2, 7, "signal"),
    ]
    assert [(found.index, found.words) for found in made.breaks] == [(4, "repaired 12 Jan")]
    assert made.words == ("The last 8 of 16 runs.",)


def test_few_runs_are_said_to_be_few() -> None:
    points = [Point(0.2, "gathering", 0) for _ in range(3)]
    made = drawn(chart(points, missing=7), last=60)
    assert made.few == "few runs: 3 so far, the limits need 7 more"
    assert drawn(chart([], missing=10), last=60).panels[0].points == ()


# -- plans


def test_a_run_without_a_plan_or_extraction_says_so() -> None:
    assert yields_of(None, purpose="x").words == ("This run was not drafted from a plan.",)
    assert "no extraction" in yields_of({"extraction": None}, purpose="x").words[0]
