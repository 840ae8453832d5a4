"""From the solvent balance of a period to the diagram of its flows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from inventory.rules.phrases import Phrase, Translate, Write
from recovery.rules.pictures.flow_diagram import Band, FlowDiagram, FlowNode
from recovery.rules.solvent_balance import NG_PER_G, PairFlow, Report, SolventBalance
from recovery.rules.solvent_balance_words import period_words

__all__ = ["flows_of"]

UL_PER_ML = 1000
STOCK = {"container", "run"}
# Pouring together gives back what it takes, often as another solvent: only what is left over is drawn.
BLENDING = "blending"
# What a contractor fetches had left when it became waste.
WASTE = {"waste-container", "waste-contractor"}
NODES = (
    FlowNode("opening-container", Phrase("opening stock"), 0),
    FlowNode("opening-run", Phrase("in runs at the start"), 0),
    FlowNode("from-supplier", Phrase("bought"), 0, "new"),
    FlowNode("from-made-here", Phrase("made here"), 0, "new"),
    FlowNode("from-before-counting", Phrase("from before counting"), 0, "new"),
    FlowNode("from-count-difference", Phrase("found by counting"), 0, "unknown"),
    FlowNode("from-unaccounted", Phrase("more back than went in"), 0, "unknown"),
    FlowNode("from-blending", Phrase("mixed here"), 0, "made"),
    FlowNode("from-elsewhere", Phrase("from elsewhere"), 0, "unknown"),
    FlowNode("again", Phrase("came back from runs"), 0, "back"),
    FlowNode("container", Phrase("containers"), 1),
    FlowNode("run", Phrase("runs"), 2),
    FlowNode("back", Phrase("back to the containers"), 3, "back"),
    FlowNode("to-water-layer", Phrase("water layer"), 3, "lost"),
    FlowNode("to-air", Phrase("air"), 3, "lost"),
    FlowNode("to-still-residue", Phrase("still residue"), 3, "lost"),
    FlowNode("to-product", Phrase("left in product"), 3, "made"),
    FlowNode("to-reaction", Phrase("used by a reaction"), 3, "made"),
    FlowNode("to-waste", Phrase("waste"), 3, "waste"),
    FlowNode("to-before-counting", Phrase("to runs from before counting"), 3, "new"),
    FlowNode("to-count-difference", Phrase("missing in counts"), 3, "unknown"),
    FlowNode("to-unaccounted", Phrase("nobody can say where"), 3, "unknown"),
    FlowNode("to-blending", Phrase("poured into mixtures"), 3, "made"),
    FlowNode("to-elsewhere", Phrase("elsewhere"), 3, "unknown"),
    FlowNode("closing-run", Phrase("in runs at the end"), 3),
    FlowNode("closing-container", Phrase("closing stock"), 3),
)
KEYS = {node.key for node in NODES}
LOOP = Phrase("What came back from runs goes round: it is drawn once on each side, with the same hatching.")


def flows_of(report: Report) -> FlowDiagram:
    """Of one solvent in mL; of several in g, since volumes of unlike solvents do not add."""
    mass = len(report.solvents) != 1
    found: dict[tuple[str, str], int] = defaultdict(int)
    for solvent in report.solvents:
        for source, target, volume_ul in _bands(solvent):
            found[source, target] += volume_ul * (solvent.ng_per_ul if mass else 1)
    per = NG_PER_G if mass else UL_PER_ML
    bands = tuple(Band(*pair, amount / per) for pair, amount in found.items() if amount > 0)
    names = Phrase("All solvents, in mass") if mass else _First(report.solvents[0].name)
    looped = any(band.target == "back" for band in bands)
    return FlowDiagram(
        Phrase("Where the solvent came from and went"), NODES, bands,
        (Phrase("{names}: {period}.", names=names, period=period_words(report)),),
        (LOOP,) if looped else (), "mass" if mass else "volume",
    )  # fmt: skip


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]


class _First(Phrase):
    """A name that begins a sentence, in whatever language it is said."""

    def __new__(cls, name: str, /) -> _First:
        made = str.__new__(cls, _capital(name))
        made.template, made.parts = "{name}", {"name": name}
        return made

    def said(self, translate: Translate, write: Write = format) -> str:
        return _capital(super().said(translate, write))


def _bands(solvent: SolventBalance) -> Iterator[tuple[str, str, int]]:
    for kind in sorted(STOCK & solvent.stock.keys()):
        opening_ul, closing_ul = solvent.stock[kind]
        yield f"opening-{kind}", kind, opening_ul
        yield kind, f"closing-{kind}", closing_ul
    mixed: dict[str, int] = defaultdict(int)
    for flow in solvent.flows:
        if flow.source == BLENDING:
            mixed[flow.destination] += flow.volume_ul
        elif flow.destination == BLENDING:
            mixed[flow.source] -= flow.volume_ul
        elif STOCK & {flow.source, flow.destination}:
            yield from _led(flow)
    for kind in sorted(STOCK & mixed.keys()):
        yield "from-blending", kind, max(mixed[kind], 0)
        yield kind, "to-blending", max(-mixed[kind], 0)


def _led(flow: PairFlow) -> Iterator[tuple[str, str, int]]:
    """The band of a pair; the way back is two, one on each side."""
    pair = flow.source, flow.destination
    if pair == ("run", "container"):
        yield "run", "back", flow.volume_ul
        yield "again", "container", flow.volume_ul
    elif pair[0] not in STOCK:
        yield _end("from", pair[0]), pair[1], flow.volume_ul
    elif pair[1] not in STOCK:
        yield pair[0], _end("to", pair[1]), flow.volume_ul
    elif pair[0] != pair[1]:
        yield *pair, flow.volume_ul


def _end(side: str, kind: str) -> str:
    key = f"{side}-waste" if kind in WASTE else f"{side}-{kind}"
    return key if key in KEYS else f"{side}-elsewhere"
