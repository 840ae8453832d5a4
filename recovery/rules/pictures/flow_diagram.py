"""How solvent went through the lab in a period: bands from where it came to where it went, in proportion.

What comes back from runs to the stock would be a circle. It is cut open: the same hatched volume enters on
the left and leaves on the right, so that no band covers another.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from math import isfinite
from typing import Any, Literal

from inventory.rules.phrases import Phrase
from inventory.rules.pictures.frame import heading, notes
from inventory.rules.pictures.sheet import Point, Sheet, wrapped
from inventory.rules.pictures.style import Look
from inventory.rules.pictures.words import Unit, all_said, isolated, mass_unit, volume_unit

__all__ = ["Band", "FlowDiagram", "FlowNode", "draw_flow_diagram", "flow_diagram_sheet"]

Tone = Literal["stock", "new", "back", "lost", "waste", "made", "unknown"]
HATCHES: dict[Tone, str] = {"back": "///", "lost": "..", "unknown": "xx", "waste": "\\\\\\"}
KEY = {
    "back": Phrase("/// the same volume on both sides"),
    "lost": Phrase("dotted: lost"),
    "unknown": Phrase("crossed: not explained"),
    "waste": Phrase("\\\\\\ waste"),
}
NOTHING = Phrase("Nothing was moved in this period.")
NODE = 11.0
THIN = 1.2


@dataclass(frozen=True)
class FlowNode:
    """column: from left, 0 and up; bands lead to a higher one. tone: what colour and hatch its bands have."""

    key: str
    words: str
    column: int
    tone: Tone = "stock"


@dataclass(frozen=True)
class Band:
    """So much went from one node to another, in mL or g; never negative."""

    source: str
    target: str
    amount: float


@dataclass(frozen=True)
class FlowDiagram:
    """measure: bands in mL or in g. words: above the picture, such as the period; notes: below it."""

    title: str
    nodes: tuple[FlowNode, ...]
    bands: tuple[Band, ...]
    words: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    measure: Literal["volume", "mass"] = "volume"


@dataclass
class _Slot:
    """Where a node stands, or where a band passes a column that it does not stop at."""

    node: FlowNode | None
    column: int
    amount: float
    label: list[str] = field(default_factory=list)
    top: float = 0.0
    height: float = 0.0


@dataclass
class _Leg:
    """A band, or the part of it between two columns."""

    band: int
    source: _Slot
    target: _Slot
    amount: float
    tone: Tone


@dataclass
class _Plan:
    slots: dict[str, _Slot]
    legs: list[_Leg]
    columns: list[list[_Slot]]
    unit: Unit
    lefts: list[float] = field(default_factory=list)
    px_per_one: float = 0.0


@lru_cache(maxsize=32)
def draw_flow_diagram(flow: FlowDiagram, look: Look) -> bytes:
    """The diagram as bytes of the kind that the look names."""
    return flow_diagram_sheet(flow, look).bytes()


def flow_diagram_sheet(flow: FlowDiagram, look: Look) -> Sheet:
    flow = all_said(flow, look.say)
    plan = _plan(flow, look.unit)
    sheet = Sheet(look, isolated(flow.title), _told(flow, plan.unit))
    y = heading(sheet, flow.words)
    if not plan.legs:
        notes(sheet, y, [NOTHING, *flow.notes])
        return sheet
    bottom = _placed(sheet, plan, y)
    for leg, points in zip(plan.legs, _edges(plan), strict=True):
        _leg(sheet, flow, plan, leg, points)
    for slot in plan.slots.values():
        _node(sheet, plan, slot)
    tones = {leg.tone for leg in plan.legs}
    key = Phrase.joined([words for tone, words in KEY.items() if tone in tones], by=" · ")
    told = Phrase("{key}.", key=key) if key else ""
    notes(sheet, bottom + sheet.look.size.line * 0.6, [told, *flow.notes])
    return sheet


# -- what is to be placed


def _plan(flow: FlowDiagram, wanted: str) -> _Plan:
    bands = [(i, b) for i, b in enumerate(flow.bands) if isfinite(b.amount) and b.amount > 0]
    into: dict[str, float] = defaultdict(float)
    out: dict[str, float] = defaultdict(float)
    for _, band in bands:
        out[band.source] += band.amount
        into[band.target] += band.amount
    slots = {
        node.key: _Slot(node, node.column, max(into[node.key], out[node.key]))
        for node in flow.nodes
        if into[node.key] or out[node.key]
    }
    columns: list[list[_Slot]] = [[] for _ in range(max((s.column for s in slots.values()), default=0) + 1)]
    for slot in slots.values():
        columns[slot.column].append(slot)
    _sorted(columns, bands, slots)
    legs = [leg for i, band in bands for leg in _legs(i, band, slots, columns)]
    most = max((slot.amount for slot in slots.values()), default=0)
    unit = volume_unit(most, wanted) if flow.measure == "volume" else mass_unit(most)
    return _Plan(slots, legs, columns, unit)


def _sorted(columns: list[list[_Slot]], bands: Sequence[tuple[int, Band]], slots: dict[str, _Slot]) -> None:
    """On both sides, nodes that the next column but one leads to stand below, so that few bands cross."""
    reach: dict[int, float] = defaultdict(float)
    for _, band in bands:
        source, target = slots[band.source], slots[band.target]
        far = (target.column - source.column) * band.amount
        for slot in (source, target):
            reach[id(slot)] += far / slot.amount
    for side in {0, len(columns) - 1}:
        columns[side].sort(key=lambda slot: round(reach[id(slot)]))


def _legs(i: int, band: Band, slots: dict[str, _Slot], columns: list[list[_Slot]]) -> Iterator[_Leg]:
    """One for each step from column to column; in between the band has a slot of its own."""
    source, target = slots[band.source], slots[band.target]
    if target.column <= source.column:
        raise ValueError("a band leads from a column to one further right")
    assert source.node is not None
    assert target.node is not None
    tone = source.node.tone if source.column == 0 and target.node.tone == "stock" else target.node.tone
    here = source
    for column in range(source.column + 1, target.column):
        passing = _Slot(None, column, band.amount)
        columns[column].append(passing)
        yield _Leg(i, here, passing, band.amount, tone)
        here = passing
    yield _Leg(i, here, target, band.amount, tone)


# -- where it stands


def _placed(sheet: Sheet, plan: _Plan, top: float) -> float:
    """Give every slot its place; returns the lower edge."""
    size = sheet.look.size
    last = len(plan.columns) - 1
    room = size.width - 2 * size.margin - NODE
    plan.lefts = [size.margin + room * column / max(last, 1) for column in range(last + 1)]
    wide = room / max(last, 1) - 14
    for slot in plan.slots.values():
        _label(sheet, plan, slot, wide)
    tallest = max(sum(slot.amount for slot in column) for column in plan.columns)
    bars = 230.0 if sheet.look.width == "small" else 300.0
    plan.px_per_one = bars / tallest
    heights = [_stacked(sheet, plan, column) for column in plan.columns]
    for column, height in zip(plan.columns, heights, strict=True):
        shift = top + (max(heights) - height) / 2
        for slot in column:
            slot.top += shift
    return top + max(heights)


def _label(sheet: Sheet, plan: _Plan, slot: _Slot, wide: float) -> None:
    assert slot.node is not None
    size = sheet.look.size
    slot.label = wrapped(isolated(slot.node.words), size.text, wide, most=3)
    slot.label += wrapped(sheet.say(plan.unit.text(slot.amount)), size.text, wide, bold=True, most=1)


def _stacked(sheet: Sheet, plan: _Plan, column: Sequence[_Slot]) -> float:
    """Put the slots of a column one below the other from 0 on; returns their height."""
    y = 0.0
    for slot in column:
        y += len(slot.label) * sheet.look.size.line + 4 if slot.node else 10
        slot.top = y
        slot.height = max(slot.amount * plan.px_per_one, THIN)
        y += slot.height + 8
    return y


def _edges(plan: _Plan) -> list[tuple[float, float]]:
    """Upper edges of each leg at both ends: at a node the legs stand in the order of their other ends."""
    starts: dict[int, float] = {}
    ends: dict[int, float] = {}
    for slot in [slot for column in plan.columns for slot in column]:
        out = [i for i, leg in enumerate(plan.legs) if leg.source is slot]
        starts.update(_side(plan, slot, sorted(out, key=lambda i: plan.legs[i].target.top)))
        into = [i for i, leg in enumerate(plan.legs) if leg.target is slot]
        ends.update(_side(plan, slot, sorted(into, key=lambda i: plan.legs[i].source.top)))
    return [(starts[i], ends[i]) for i in range(len(plan.legs))]


def _side(plan: _Plan, slot: _Slot, order: Sequence[int]) -> Iterator[tuple[int, float]]:
    y = slot.top
    for i in order:
        yield i, y
        y += plan.legs[i].amount * plan.px_per_one


# -- what is drawn


def _leg(sheet: Sheet, flow: FlowDiagram, plan: _Plan, leg: _Leg, edges: tuple[float, float]) -> None:
    left = plan.lefts[leg.source.column] + NODE
    right = plan.lefts[leg.target.column]
    height = max(leg.amount * plan.px_per_one, THIN)
    middle, (start, end) = (left + right) / 2, edges
    # A passing band goes on straight through the width of the column.
    on = NODE if leg.target.node is None else 0.0
    upper: list[Point] = [(left, start), (middle, start), (middle, end), (right, end), (right + on, end)]
    lower = [(right + on, end + height), (right, end + height)]
    back: list[Point] = [(middle, end + height), (middle, start + height), (left, start + height)]
    codes = [1, 4, 4, 4, 2, 2, 2, 4, 4, 4, 79]
    fill, edge = _colours(sheet, leg.tone)
    # Outlines of their own: round the whole leg there would be a line across where one leg meets the next.
    below = [lower[0], lower[1], *back]
    sheet.outline(upper, codes[:5], "none", edge=edge, width=0.8, alpha=0.55, above=1.6)
    sheet.outline(below, [1, 2, 4, 4, 4], "none", edge=edge, width=0.8, alpha=0.55, above=1.6)
    words = _band_words(flow, flow.bands[leg.band], plan.unit)
    first = leg.source.node is not None
    sheet.outline(
        [*upper, *lower, *back, (left, start)], codes, fill, alpha=0.55, above=1.5,
        hatch=HATCHES.get(leg.tone, ""), hatch_colour=edge, hint=words,
        name=f"band-{leg.band}" if first else f"band-{leg.band}-{leg.target.column}",
    )  # fmt: skip


def _colours(sheet: Sheet, tone: Tone) -> tuple[str, str]:
    look = sheet.look.palette
    fills = {
        "stock": look.cool, "new": look.value, "back": look.leaf, "lost": look.warm,
        "waste": look.plum, "made": look.sun, "unknown": look.alarm,
    }  # fmt: skip
    return fills[tone], look.ink


def _node(sheet: Sheet, plan: _Plan, slot: _Slot) -> None:
    assert slot.node is not None
    look, size = sheet.look.palette, sheet.look.size
    left = plan.lefts[slot.column]
    hint = Phrase("{node}: {amount}", node=isolated(slot.node.words), amount=plan.unit.text(slot.amount))
    sheet.box(left, slot.top, NODE, slot.height, look.ink, name=f"node-{slot.node.key}", hint=hint, above=3)
    last = len(plan.columns) - 1
    anchor: Any = "start" if slot.column == 0 else "end" if slot.column == last else "middle"
    x = left + {"start": 0.0, "middle": NODE / 2, "end": NODE}[anchor]
    y = slot.top - len(slot.label) * size.line - 2
    sheet.lines_of_text(x, y, slot.label[:-1], anchor=anchor, backed=True)
    below = y + size.line * (len(slot.label) - 1)
    sheet.lines_of_text(x, below, slot.label[-1:], anchor=anchor, backed=True, bold=True)


def _band_words(flow: FlowDiagram, band: Band, unit: Unit) -> Phrase:
    names = {node.key: isolated(node.words) for node in flow.nodes}
    source, target = names[band.source], names[band.target]
    amount = unit.text(band.amount)
    return Phrase("{source} to {target}: {amount}", source=source, target=target, amount=amount)


def _told(flow: FlowDiagram, unit: Unit) -> Phrase:
    bands = [band for band in flow.bands if band.amount > 0]
    lines = [Phrase("{band}.", band=_band_words(flow, band, unit)) for band in bands]
    return Phrase.joined([*flow.words, *(lines or [NOTHING]), *flow.notes], by="\n")
