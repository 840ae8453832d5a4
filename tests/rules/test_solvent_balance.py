"""The solvent balance: the published worked balance, the definitions, and that it closes whatever moved."""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.models import PlaceKind
from recovery.rules.solvent_balance import (
    Cell,
    Figures,
    SolventBalance,
    SolventFlows,
    balance_of,
    ng_per_ul,
    no_air_interface_limit_kg,
    report,
)
from recovery.rules.solvent_terms import OUTPUTS, TERMS_FILE, load_terms, read_terms

KINDS = [kind.value for kind in PlaceKind]
TABLE = load_terms()
ETHER = Decimal("713.6")
STOCK = {"container", "run", "blending"}
CELLS = st.builds(Cell, st.sampled_from(KINDS), st.sampled_from(KINDS), st.integers(0, 10**12))
FLOWS = st.builds(
    SolventFlows,
    st.just("diethyl-ether"),
    st.just("Diethyl ether"),
    st.decimals("400", "3000", places=3),
    st.lists(CELLS, max_size=30).map(tuple),
    st.lists(CELLS, max_size=30).map(tuple),
    st.integers(0, 10**12),
)


def put(**figures: int) -> Figures:
    outputs = dict.fromkeys(OUTPUTS, 0) | {term: figures[term] for term in OUTPUTS if term in figures}
    return Figures(brought_in=figures["I1"], i2=figures.get("I2", 0), outputs=outputs)


def of(*cells: tuple[str, str, int], before: tuple[Cell, ...] = (), reused: int = 0) -> SolventBalance:
    during = tuple(Cell(*cell) for cell in cells)
    return balance_of(SolventFlows("ether", "Ether", ETHER, before, during, reused), TABLE)


# -- against what is published


def test_the_worked_balance_of_the_city_of_eugene() -> None:
    """8000 lb bought, 2000 recycled, 6000 in product, 1500 in waste: 500 lb to the vent.

    City of Eugene, materials-accounting booklet, page 49.
    """
    named = put(I1=8000, I2=2000, O3=6000, O6=1500)
    assert named.difference == 500
    assert named.i1 + named.i2 == 10_000
    whole = put(I1=8000, I2=2000, O3=6000, O6=1500, O1=500)
    assert (whole.difference, whole.outputs["O1"], whole.consumption) == (0, 500, 8000)


def test_the_formulas_of_the_directive() -> None:
    """C = I1 - O8 (InfoMil 3.2); F by what is left over and by adding up; E = F + O1; F over I1 + I2.

    The inputs are ours, the formulas those of Annex VII Part 7.
    """
    figures = put(I1=1000, I2=600, O1=100, O2=40, O3=30, O4=80, O5=50, O6=500, O7=60, O8=100, O9=40)
    assert figures.consumption == 900
    assert figures.fugitive == 1000 - 100 - 50 - 500 - 60 - 100 == 190
    assert figures.fugitive_direct == 40 + 30 + 80 + 40 == 190
    assert figures.emission == 290
    assert figures.fugitive_share == Decimal("0.1188")  # 190 / 1600


def test_the_input_with_stock() -> None:
    """I1 = opening stock + purchases - closing stock (evocs.org)."""
    made = of(
        ("supplier", "container", 5000),
        ("container", "air", 1200),
        before=(Cell("supplier", "container", 2000),),
    )
    assert (made.volume.opening, made.volume.closing) == (2000, 5800)
    assert made.volume.i1 == 2000 + 5000 - 5800 == 1200


@pytest.mark.parametrize(
    ("volume_m3", "limit_kg"), [(0.10, 83), (0.50, 218), (1.00, 330), (2.00, 500), (2.95, 632)]
)
def test_the_limit_of_a_machine_without_an_air_interface(volume_m3: float, limit_kg: int) -> None:
    """40 CFR 63.464, Table 6."""
    assert abs(no_air_interface_limit_kg(volume_m3) - limit_kg) <= 0.5
    with pytest.raises(ValueError, match="above zero"):
        no_air_interface_limit_kg(-volume_m3)


def test_an_inner_loop_is_neither_new_nor_recovered_elsewhere() -> None:
    """InfoMil 3.2: distilled back and used again here is no O8 and no I1; each time it is an I2."""
    made = of(
        ("supplier", "container", 1000),
        ("container", "run", 1800),
        ("run", "container", 1600),
        ("run", "unaccounted", 200),
        reused=800,
    )
    assert (made.volume.i1, made.volume.i2, made.volume.outputs["O8"]) == (200, 800, 0)
    assert made.volume.fugitive_share == Decimal("0.2000")


# -- what has no home takes the worse


@pytest.mark.parametrize("end", ["unaccounted", "count-difference", "still-residue", "air", "product"])
def test_what_nobody_saw_captured_is_fugitive(end: str) -> None:
    made = of(("supplier", "container", 100), ("container", end, 100))
    assert made.volume.fugitive == 100


@pytest.mark.parametrize("end", ["waste-container", "waste-contractor", "reaction"])
def test_what_was_captured_is_not(end: str) -> None:
    made = of(("supplier", "container", 100), ("container", end, 100))
    assert made.volume.fugitive == 0


def test_what_was_found_is_not_set_off_against_what_is_missing() -> None:
    made = of(
        ("supplier", "container", 100),
        ("container", "run", 100),
        ("run", "unaccounted", 30),
        ("unaccounted", "run", 25),
    )
    assert made.volume.outputs["O9"] == 30
    assert made.volume.i1 == made.volume.fugitive == 30
    assert made.volume.closing == 95


def test_what_has_no_home_is_printed_apart() -> None:
    cells = [
        Cell("container", "unaccounted", 30),
        Cell("unaccounted", "container", 10),
        Cell("container", "count-difference", 5),
        Cell("count-difference", "container", 2),
    ]
    made = report([SolventFlows("ether", "Ether", ETHER, (), tuple(cells))], TABLE)
    factor = ng_per_ul(ETHER)
    expected = {"unaccounted": 20, "count-difference": 5, "found-by-counting": 2}
    assert made.apart == {name: factor * volume_ul for name, volume_ul in expected.items()}


# -- it closes


@given(flows=FLOWS)
def test_it_closes_exactly_whatever_moved(flows: SolventFlows) -> None:
    made = balance_of(flows, TABLE)
    for figures in (made.volume, made.mass):
        assert figures.difference == 0
        assert figures.i1 == sum(figures.outputs.values())
        assert figures.opening + figures.brought_in == figures.closing + sum(figures.outputs.values())
    held: Counter[str] = Counter()
    for cell in (*flows.before, *flows.cells):
        held[cell.source] -= cell.volume_ul
        held[cell.destination] += cell.volume_ul
    assert made.volume.closing == sum(held[kind] for kind in STOCK)
    assert made.mass.closing == int(made.volume.closing * flows.density_kg_m3 * 1000)


@given(flows=st.lists(FLOWS, max_size=4))
def test_the_total_is_the_sum(flows: list[SolventFlows]) -> None:
    made = report(flows, TABLE)
    assert made.total.difference == 0
    for term in OUTPUTS:
        assert made.total.outputs[term] == sum(each.mass.outputs[term] for each in made.solvents)
    assert made.total.i1 == sum(each.mass.i1 for each in made.solvents)


@given(flows=FLOWS, cut=st.integers(0, 30))
def test_closing_stock_is_the_next_opening_stock(flows: SolventFlows, cut: int) -> None:
    first = balance_of(replace(flows, cells=flows.cells[:cut]), TABLE)
    second = balance_of(
        replace(flows, before=flows.before + flows.cells[:cut], cells=flows.cells[cut:]), TABLE
    )
    whole = balance_of(flows, TABLE)
    assert first.volume.closing == second.volume.opening
    assert first.volume.i1 + second.volume.i1 == whole.volume.i1


# -- the data


def test_the_table_knows_every_kind_of_place() -> None:
    named = {kind for pair in TABLE.feeds for kind in pair} | TABLE.stock
    assert named == set(KINDS)
    assert TABLE.stock == STOCK
    for kind in set(KINDS) - STOCK:
        pairs = [(kind, inside) for inside in STOCK] + [(inside, kind) for inside in STOCK]
        assert any(pair in TABLE.feeds for pair in pairs), kind


def test_every_row_has_words_and_a_source() -> None:
    for feed in TABLE.feeds.values():
        assert feed.words.endswith(".") and feed.source
    assert [term.term for term in TABLE.terms] == ["I1", "I2", *OUTPUTS]


def document(**changes: Any) -> dict[str, Any]:
    return tomllib.loads(TERMS_FILE.read_text(encoding="utf-8")) | changes


@pytest.mark.parametrize(
    "row",
    [
        {"from": ["supplier"], "to": ["container"], "terms": ["+O9"]},
        {"from": ["container"], "to": ["air"], "terms": []},
        {"from": ["container"], "to": ["air"], "terms": ["+O4", "+O9"]},
        {"from": ["container"], "to": ["air"], "terms": ["+I2"]},
        {"from": ["container"], "to": ["air", "air"], "terms": ["+O4"]},
        {"from": ["air"], "to": ["air"], "terms": []},
        {"from": ["container"], "to": ["air"], "terms": ["O4"]},
    ],
)
def test_a_table_that_would_not_close_is_refused(row: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"close|term|twice"):
        read_terms(document(feeds=[row | {"words": "Made up.", "source": "this test"}]))


def test_a_table_without_all_terms_is_refused() -> None:
    with pytest.raises(ValueError, match="in this order"):
        read_terms(document(terms=document()["terms"][1:]))


def test_a_movement_that_no_row_names_takes_the_worse_and_closes() -> None:
    made = of(("supplier", "container", 100), ("container", "supplier", 40), ("supplier", "air", 7))
    assert made.volume.outputs["O9"] == 47
    assert made.volume.difference == 0


def test_mass_is_whole() -> None:
    assert ng_per_ul(Decimal("713.6")) == 713_600
    for density in ("0", "713.6005"):
        with pytest.raises(ValueError, match="three decimals"):
            ng_per_ul(Decimal(density))
