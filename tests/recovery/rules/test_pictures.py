"""Pictures of runs and losses: every datum has its mark, nothing leaves the picture, nothing breaks it."""

from __future__ import annotations

import io
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from math import inf, nan
from typing import Any

import pytest
from PIL import Image

from inventory.rules.pictures.growth import ActionLevel, Growth, Reading, growth_sheet
from inventory.rules.pictures.growth import Band as GrowthBand
from inventory.rules.pictures.sheet import Sheet
from inventory.rules.pictures.style import Look
from recovery.rules.amounts import Combined
from recovery.rules.pictures.balance_bars import BarRow, SolventBars, balance_bars_sheet
from recovery.rules.pictures.flow_diagram import Band, FlowDiagram, FlowNode, flow_diagram_sheet
from recovery.rules.pictures.loss_chart import (
    ChartBreak,
    ChartLine,
    ChartPanel,
    ChartPoint,
    ChartSpan,
    LossChart,
    loss_chart_sheet,
)
from recovery.rules.pictures.loss_waterfall import waterfall_sheet
from recovery.rules.pictures.yield_curve import Need, YieldCurve, YieldPoint, yield_curve_sheet
from recovery.rules.waterfall import Bar, Waterfall
from tests.rules.pictures_made import LOOKS, SVG, check_whole, ids, read, words_of

DAY = date(2026, 1, 5)
NAME = 'Leaf <&> "pigments" אתר ' + "very long name of a club's own solvent " * 4
HUGE = 3.4e14


def growth(name: str = "T-1", factor: float = 1.0, count: int = 5) -> Growth:
    days = [DAY + timedelta(days=40 * place) for place in range(count)]
    bounds: list[tuple[float, float | None]] = [(0, 0.5), (0.5, 0.5), (2, 5), (5, 5), (25, None)]
    readings = tuple(
        Reading(day, low * factor, None if high is None else high * factor, "strip")
        for day, (low, high) in zip(days, bounds, strict=False)
    )
    band = tuple(GrowthBand(day, 0.2 * (i + 1), 0.6 * (i + 1), 9.0**i) for i, day in enumerate(days))
    levels = (ActionLevel(25 * factor, f"do not use {name}", decides=True), ActionLevel(100, "do not touch"))
    return Growth(name, name, readings, levels, band, f"By {count} readings", DAY, DAY + timedelta(days=90))


def chart(name: str = "still 2", factor: float = 1.0, count: int = 30) -> LossChart:
    days = [DAY + timedelta(days=9 * place) for place in range(count)]
    broken = {count - 1: ("W1", "N3"), count - 4: ("W1",)}
    points = tuple(
        ChartPoint(day, factor * (9 + place % 5), 0.8 * factor, broken.get(place, ()), place == 3, name)
        for place, day in enumerate(days)
    )
    limits: tuple[float | None, ...] = tuple(None if place < 2 else 14.0 * factor for place in range(count))
    lines = (ChartLine("upper limit (3 sigma)", limits), ChartLine("mean", (9.0 * factor,) * count, "centre"))
    second = tuple(ChartPoint(p.day, None if place == 0 else 2.0) for place, p in enumerate(points))
    spans = (ChartSpan(0, 9, "baseline: 10 runs"), ChartSpan(20, 29, f"more since {name}", "signal"))
    return LossChart(
        f"Losses: {name}",
        (ChartPanel("Runs", "% of charge", points, lines), ChartPanel("EWMA", "%", second)),
        (f"{name} loses more.",), (("W1", f"one beyond {name}"), ("N3", "six in a row"), ("E", "unused")),
        spans if count > 20 else (), (ChartBreak(12, f"repaired {name}"),) if count > 20 else (),
        "" if count > 9 else f"few runs: {count} so far", "k = 2", (name,),
    )  # fmt: skip


def fall(name: str = "Diethyl ether", factor: int = 1) -> Waterfall:
    steps: list[tuple[str, Any, int, int, Any]] = [
        ("charged", "start", 500_000, 800, "recorded"), ("returned", "out", 400_000, 1500, "recorded"),
        ("air", "out", 10_000, 0, "recorded"), ("predicted-vapour", "predicted", 21_000, 2600, "worked-out"),
        ("predicted-product", "predicted", 0, 0, "not-told"), ("unexplained", "rest", 69_000, 3000, "rest"),
    ]  # fmt: skip
    level, bars = 0, []
    for code, role, value, u, state in steps:
        begins, level = (0, value) if role == "start" else (level, level - value)
        bars.append(
            Bar(
                code,
                f"{code} {name}",
                role,
                value * factor,
                u * factor,
                begins * factor,
                level * factor,
                state,
            )
        )
    rest = Combined(69_000 * factor, 3000.0 * factor, inf)
    return Waterfall(name, tuple(bars), 2.0, "unexplained-loss", "69 ± 6 mL", rest, (name,))


def flow(name: str = "bought", factor: float = 1.0) -> FlowDiagram:
    nodes = (
        FlowNode("open", "opening stock", 0), FlowNode("new", name, 0, "new"),
        FlowNode("again", "back", 0, "back"), FlowNode("stock", "containers", 1), FlowNode("run", "runs", 2),
        FlowNode("back", name, 3, "back"), FlowNode("air", "air", 3, "lost"),
        FlowNode("waste", "waste", 3, "waste"), FlowNode("end", "closing", 3), FlowNode("never", "unused", 3),
    )  # fmt: skip
    bands = (
        ("open", "stock", 900.0), ("new", "stock", 500.0), ("again", "stock", 700.0),
        ("stock", "run", 1000.0), ("stock", "air", 0.01), ("stock", "end", 1099.99), ("run", "back", 700.0),
        ("run", "waste", 300.0), ("run", "air", 0.0),
    )  # fmt: skip
    return FlowDiagram(name, nodes, tuple(Band(a, b, amount * factor) for a, b, amount in bands), (name,))


def bars(name: str = "Ethyl acetate", factor: float = 1.0) -> SolventBars:
    row = BarRow(name, ((f"I1 {name}", 12.5 * factor),), (("O4 air", 2.5 * factor), ("O6", 0.0), ("O9", 1.0)))
    return SolventBars(name, "kg", (row, BarRow("Hexane", (("I1", 1.0),), ())), notes=(name,))


def yields(name: str = "leaf pigments", factor: float = 1.0) -> YieldCurve:
    points = tuple(YieldPoint(n, 1 - 0.5 / n, 1 - 0.6 / n, 1 - 0.4 / n, name) for n in range(1, 9))
    needs = tuple(Need(n, 900 * factor / n, 90 * factor + n, n < 7) for n in range(1, 9))
    return YieldCurve(name, points, needs, 0.9, 5, (name,), (name,), "Bars: k = 2.")


PICTURES: dict[str, tuple[Callable[..., Any], Callable[[Any, Look], Sheet]]] = {
    "growth": (growth, growth_sheet),
    "losses": (chart, loss_chart_sheet),
    "waterfall": (fall, waterfall_sheet),
    "flows": (flow, flow_diagram_sheet),
    "bars": (bars, balance_bars_sheet),
    "yields": (yields, yield_curve_sheet),
}
EVERY = pytest.mark.parametrize("name", PICTURES)
EMPTY: dict[str, Any] = {
    "growth": Growth("T-1", "", (), ()),
    "losses": LossChart("Losses", (ChartPanel("Runs", "%", ()),), few="few runs: none so far"),
    "waterfall": Waterfall("", (), 2.0, "within-uncertainty", "", Combined(0, 0.0, inf)),
    "flows": FlowDiagram("Flows", (), ()),
    "bars": SolventBars("Bars", "kg", ()),
    "yields": YieldCurve("Yields", ()),
}


@EVERY
@pytest.mark.parametrize("look", LOOKS, ids=lambda look: f"{look.theme}-{look.width}")
def test_a_picture_is_whole(name: str, look: Look) -> None:
    make, sheet = PICTURES[name]
    check_whole(sheet(make(), look).bytes(), look)


@EVERY
@pytest.mark.parametrize("width", ["small", "large"])
def test_names_of_any_kind_stay_words_and_inside(name: str, width: Any) -> None:
    make, sheet = PICTURES[name]
    root = check_whole(sheet(make(NAME), Look("dark", width)).bytes(), Look("dark", width))
    told = "".join("".join(element.itertext()) for element in root.iter())
    assert "Leaf <&>" in told
    assert "אתר" in told


@EVERY
@pytest.mark.parametrize("factor", [HUGE, 1e-9])
def test_huge_and_tiny_values_are_drawn(name: str, factor: float) -> None:
    make, sheet = PICTURES[name]
    whole = int(factor) or 1 if name == "waterfall" else factor
    for look in LOOKS[:2]:
        check_whole(sheet(make("x", whole), look).bytes(), look)


@EVERY
def test_a_picture_of_nothing_says_so(name: str) -> None:
    for look in LOOKS:
        root = check_whole(PICTURES[name][1](EMPTY[name], look).bytes(), look)
        told = " ".join(words.text for words in words_of(root))
        assert any(word in told for word in ("No ", "Nothing", "none")), told


@EVERY
def test_a_png_opens_at_its_size(name: str) -> None:
    """By Pillow; not all of one colour."""
    make, sheet = PICTURES[name]
    made = sheet(make(), Look("light", "small", "png", 2))
    image = Image.open(io.BytesIO(made.bytes()))
    assert image.size == (720, 2 * made.height)
    assert len(image.convert("RGB").getcolors(1 << 20) or []) > 20


def test_threads_draw_what_one_thread_draws() -> None:
    jobs = [(name, look) for name in PICTURES for look in LOOKS[:2]]

    def drawn(job: tuple[str, Look]) -> bytes:
        make, sheet = PICTURES[job[0]]
        return sheet(make(), job[1]).bytes()

    alone = [drawn(job) for job in jobs]
    with ThreadPoolExecutor(4) as threads:
        assert list(threads.map(drawn, jobs * 2)) == alone * 2


# -- every datum has its mark


def test_each_reading_is_drawn_as_the_interval_that_it_is() -> None:
    root = read(growth_sheet(growth(), LOOKS[1]).bytes())
    assert len(ids(root, "reading-")) == 5
    assert len(ids(root, "level-")) == 2
    hints = {g.get("id"): g.findtext(f"{SVG}title") for g in root.iter(f"{SVG}g")}
    assert "less than 0.5 mg/L" in (hints["reading-0"] or "")
    assert "2 to 5 mg/L" in (hints["reading-2"] or "")
    assert "25 mg/L or more, no upper bound" in (hints["reading-4"] or "")


def test_a_band_that_is_higher_than_the_picture_stays_inside() -> None:
    root = read(growth_sheet(growth(), LOOKS[1]).bytes())
    height = float(root.get("height", ""))
    path = next(g.find(f"{SVG}path") for g in root.iter(f"{SVG}g") if g.get("id") == "band")
    assert path is not None
    numbers = [float(part) for part in path.get("d", "").split() if part not in {"M", "L", "z"}]
    assert all(0 <= y <= height for y in numbers[1::2])


def test_each_run_signal_limit_and_repair_is_drawn() -> None:
    root = read(loss_chart_sheet(chart(), LOOKS[1]).bytes())
    assert (len(ids(root, "run")), ids(root, "break")) == (30 + 29, ["break0-0", "break0-1"])
    told = [words.text for words in words_of(root)]
    assert "W1" in told
    assert "W1, N3" in told
    assert any("upper limit (3" in line for line in told)
    assert any(line.startswith("W1: one beyond") for line in told)
    assert not any(line.startswith("E: unused") for line in told)
    assert any("more since" in line for line in told)
    desc = root.findtext(f"{SVG}desc") or ""
    assert desc.count("signal by rule") == 2


def test_a_single_run_says_that_it_is_one() -> None:
    root = check_whole(loss_chart_sheet(chart(count=1), LOOKS[0]).bytes(), LOOKS[0])
    assert any("few runs: 1 so far" in words.text for words in words_of(root))
    assert ids(root, "run0") == ["run0-0"]


def test_each_step_is_drawn_and_what_was_not_told_has_no_bar() -> None:
    root = read(waterfall_sheet(fall(), LOOKS[1]).bytes())
    assert len(ids(root, "bar-")) == 6
    assert len(ids(root, "whisker-")) == 4
    told = [words.text for words in words_of(root)]
    assert "500.0 ± 1.6 mL" in told
    assert "\u2212400.0 ± 3.0 mL" in told
    assert "not told" in told
    missing = next(g for g in root.iter(f"{SVG}g") if g.get("id") == "bar-predicted-product")
    path = missing.find(f"{SVG}path")
    assert path is not None
    assert path.get("stroke-dasharray")
    assert path.get("fill") == "none"


def test_bars_of_a_waterfall_are_as_long_as_their_volumes() -> None:
    root = read(waterfall_sheet(fall(), LOOKS[1]).bytes())
    wide = {name: _width(root, f"bar-{name}") for name in ("charged", "returned", "air")}
    assert wide["returned"] / wide["charged"] == pytest.approx(0.8, abs=0.005)
    assert wide["air"] / wide["charged"] == pytest.approx(0.02, abs=0.005)


def _width(root: Any, name: str) -> float:
    group = next(g for g in root.iter(f"{SVG}g") if g.get("id") == name)
    numbers = [float(part) for part in group.find(f"{SVG}path").get("d").split() if part not in "MLzC"]
    return max(numbers[::2]) - min(numbers[::2])


def _height(root: Any, name: str) -> float:
    group = next(g for g in root.iter(f"{SVG}g") if g.get("id") == name)
    numbers = [float(part) for part in group.find(f"{SVG}path").get("d").split() if part not in "MLzC"]
    return max(numbers[1::2]) - min(numbers[1::2])


def test_bands_are_as_wide_as_their_volumes_and_fill_their_nodes() -> None:
    root = read(flow_diagram_sheet(flow(), LOOKS[1]).bytes())
    assert len(ids(root, "node-")) == 9
    nodes = {name: _height(root, f"node-{name}") for name in ("open", "new", "again", "stock", "run", "end")}
    assert nodes["stock"] == pytest.approx(nodes["open"] + nodes["new"] + nodes["again"])
    assert nodes["new"] / nodes["open"] == pytest.approx(500 / 900)
    assert nodes["run"] / nodes["end"] == pytest.approx(1000 / 1099.99)
    told = [words.text for words in words_of(root)]
    assert "2\u202f100\u00a0mL" in told
    assert "unused" not in told


def test_a_band_that_leads_back_is_refused() -> None:
    nodes = (FlowNode("a", "a", 0), FlowNode("b", "b", 0))
    with pytest.raises(ValueError, match="further right"):
        flow_diagram_sheet(FlowDiagram("x", nodes, (Band("a", "b", 1.0),)), LOOKS[0])


def test_what_is_not_a_number_is_not_drawn() -> None:
    made = flow_diagram_sheet(FlowDiagram("x", flow().nodes, (Band("open", "stock", nan),)), LOOKS[0])
    assert any("Nothing was moved" in words.text for words in words_of(read(made.bytes())))


def test_parts_of_a_bar_are_as_long_as_their_amounts() -> None:
    root = read(balance_bars_sheet(bars(), LOOKS[1]).bytes())
    assert ids(root, "part-") == ["part-in-0-0", "part-out-0-0", "part-out-0-2", "part-in-1-0"]
    assert _width(root, "part-out-0-0") / _width(root, "part-in-0-0") == pytest.approx(0.2, abs=0.005)


def test_the_proposed_portions_and_the_wanted_yield_are_told() -> None:
    root = read(yield_curve_sheet(yields(), LOOKS[1]).bytes())
    assert len(ids(root, "portions-")) == 8
    assert (len(ids(root, "charged-")), len(ids(root, "not-"))) == (8, 8)
    told = [words.text for words in words_of(root)]
    assert "wanted:" in " ".join(told)
    assert any(line.startswith("proposed: 5") for line in told)
