"""Storage limits: published figures, exact gallons, container sizes, and what is not known."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from inventory.rules.errors import InputError
from inventory.rules.flammability import ghs_category, nfpa30_class
from inventory.rules.storage import (
    CATEGORIES,
    GALLON_UL,
    MATERIALS,
    SQUARE_FEET_100_M2,
    Limit,
    Stand,
    amount_ul,
    counts_in,
    limit_of,
    load_reductions,
    load_templates,
    material_of,
    nearest_metric_ul,
    over_by_ul,
    sizes_for,
    total_ul,
)

GALLON = round(GALLON_UL)


def limit(key: str, **changes: object) -> Limit:
    """The limit that a shipped row gives, by area for 100 ft²."""
    row = load_templates()[key]
    area = Decimal("9.290304") if row.per_100_ft2 else None
    facts = {
        "id": 1, "name": row.name, "measure": row.measure, "scheme": row.scheme, "categories": row.categories,
        "materials": row.materials, "limit_ul": limit_of(row, area_m2=area), "effect": row.effect,
        "code": row.code, "source": row.source, "outside_cabinets": row.outside_cabinets,
    }  # fmt: skip
    return Limit(**{**facts, **changes})  # type: ignore[arg-type]


def stand(ghs: str = "2", gallons: int = 1, **facts: object) -> Stand:
    volume_ul = round(gallons * GALLON_UL)
    return Stand(**{"name": "B-1", "volume_ul": volume_ul, "capacity_ul": volume_ul, "ghs": ghs, **facts})  # type: ignore[arg-type]


def test_a_gallon_is_231_cubic_inches() -> None:
    """1 in = 2.54 cm exactly, 1 US gal = 231 in³ (NIST Handbook 44, Appendix C, from memory)."""
    assert Fraction(231) * Fraction(254, 100) ** 3 * 1000 == GALLON_UL
    assert amount_ul("1 US pint") * 8 == amount_ul("1 US quart") * 4 == amount_ul("1 US gal") == GALLON_UL
    assert Fraction("9.290304") == SQUARE_FEET_100_M2
    with pytest.raises(ValueError, match="unit"):
        amount_ul("1 gal")


def test_61_gallons_of_category_2_are_over_60() -> None:
    """29 CFR 1910.106(d)(3)(i): at most 60 gal of category 1 to 3 in one cabinet."""
    cabinet = limit("osha-cabinet-1-3")
    assert over_by_ul(cabinet, [stand(gallons=60)]) == 0
    assert over_by_ul(cabinet, [stand(gallons=60), stand(gallons=1)]) in (GALLON, GALLON + 1)
    assert over_by_ul(cabinet, [stand("1", 20), stand("2", 20), stand("3", 19), stand("4", 60)]) == 0
    assert over_by_ul(limit("osha-cabinet-4"), [stand("4", 121)]) >= GALLON
    assert over_by_ul(limit("osha-cabinet-all"), [stand("4", 70), stand("2", 51)]) >= GALLON


def test_what_is_not_known_counts_as_the_worst() -> None:
    cabinet = limit("osha-cabinet-1-3")
    assert total_ul(cabinet, [stand("", 3), stand("none", 5), stand("4", 7)]) == stand(gallons=3).volume_ul
    assert counts_in(limit("nfpa45-d-1"), stand("none"))  # the other scheme was not told
    assert not counts_in(limit("nfpa45-d-1"), stand("1", nfpa30="II"))
    every = limit("rcra-satellite")
    assert counts_in(every, stand("none"))


def test_glass_of_category_1_half_a_litre_passes_and_a_litre_does_not() -> None:
    """Table H-12: 1 pt (0.473 L), and its footnote: the nearest metric size for glass and plastic."""
    glass = limit("osha-h12-glass-or-plastic-1")
    bottle = {"volume_ul": 0, "ghs": "1", "material": "glass", "name": "B-1"}
    assert over_by_ul(glass, [Stand(**bottle, capacity_ul=500_000)]) == 0  # type: ignore[arg-type]
    assert over_by_ul(glass, [Stand(**bottle, capacity_ul=1_000_000)]) == 500_000  # type: ignore[arg-type]
    can = Stand(**{**bottle, "material": "metal"}, capacity_ul=1_000_000)  # type: ignore[arg-type]
    assert over_by_ul(glass, [can]) == 0
    assert [nearest_metric_ul(amount_ul(t)) for t in ("1 US pint", "1 US quart", "1 US gal")] == [
        500_000, 1_000_000, 4_000_000,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("category", "material", "litres", "allowed"),
    [
        # Table H-12: glass 1 pt, 1 qt, 1 gal, 1 gal; metal 1, 5, 5, 5 gal; safety can 2, 5, 5, 5; drum 60.
        ("2", "glass", "1", True),
        ("2", "plastic", "2.5", False),
        ("3", "glass", "4", True),
        ("4", "glass", "5", False),
        ("1", "metal", "3.785", True),
        ("1", "metal", "5", False),
        ("2", "metal", "18.9", True),
        ("2", "metal", "20", False),
        ("1", "safety-can", "7.57", True),
        ("1", "safety-can", "10", False),
        ("1", "drum", "200", True),
        ("2", "drum", "228", False),
        ("1", "", "0.5", True),
        ("1", "", "1", False),
        ("3", "", "4", True),
        ("3", "", "5", False),
        ("", "", "1", False),
        ("none", "", "5", True),
    ],
)
def test_table_h12(category: str, material: str, litres: str, allowed: bool) -> None:
    rows = [limit(key) for key, row in load_templates().items() if row.set == "osha-h12"]
    held = Stand("B-1", 0, int(Decimal(litres) * 1_000_000), category, material=material)
    chosen = sizes_for(rows, held)
    assert len(chosen) <= 1
    assert all(over_by_ul(one, [held]) == 0 for one in chosen) is allowed


def test_published_classes_fall_into_their_rows() -> None:
    """29 CFR 1910.106(a)(19) and NFPA 30 (2003) 1.7.3, at their edges."""
    ether = ghs_category(Decimal(-45), Decimal("34.4")), nfpa30_class(Decimal(-45), Decimal("34.4"))
    assert ether == (1, "IA")
    edge = ghs_category(Decimal(60), Decimal(150)), nfpa30_class(Decimal(60), Decimal(150))
    assert edge == (3, "IIIA")
    held = stand(str(edge[0]), nfpa30=str(edge[1]))
    assert counts_in(limit("osha-cabinet-1-3"), held)
    assert not counts_in(limit("nfpa45-b-1"), held)
    assert counts_in(limit("nfpa45-b-3"), held)


def test_figures_by_area() -> None:
    """NFPA 45 by firesafetytoolkit.com: class C 4 gal of class I in 100 ft², half of it in schools."""
    rows, c = load_templates(), "nfpa45-c-1"
    assert limit_of(rows[c], area_m2=Decimal("9.290304")) == int(4 * GALLON_UL)
    assert limit_of(rows[c], area_m2=Decimal("92.90304")) == int(40 * GALLON_UL)
    assert limit_of(rows["nfpa45-school-1"], area_m2=Decimal("9.290304")) == int(2 * GALLON_UL)
    floor = load_reductions()["nfpa45-c-d-4-to-6"]
    assert limit_of(rows[c], area_m2=Decimal("9.290304"), reduction=floor) == int(3 * GALLON_UL)
    for area in (None, Decimal(0), Decimal("0.0000001")):
        with pytest.raises(InputError) as refused:
            limit_of(rows[c], area_m2=area)
        assert refused.value.field == "area_m2"
    with pytest.raises(InputError, match="does not go by area"):
        limit_of(rows["uk-workroom"], area_m2=Decimal(10))
    with pytest.raises(InputError, match="does not go by area"):
        limit_of(rows["uk-workroom"], reduction=floor)


@pytest.mark.parametrize(
    ("key", "litres"),
    [
        ("campus-open-lab", "37.854"), ("osha-outside-1", "94.635"), ("osha-outside-2-4", "454.249"),
        ("ifc-ia", "113.562"), ("ifc-i", "454.249"), ("nfpa45-a-unit-3", "6056.658"), ("uk-workroom", "50"),
        ("rcra-satellite", "208.197"), ("york-open-bottle", "0.5"),
    ],
)  # fmt: skip
def test_figures_in_litres(key: str, litres: str) -> None:
    """The same gallons in litres, by hand at 3.785411784 L."""
    assert abs(Decimal(limit_of(load_templates()[key])) / 1_000_000 - Decimal(litres)) < Decimal("0.001")


def test_outside_cabinets_leaves_out_what_stands_in_one() -> None:
    open_lab = limit("campus-open-lab")
    assert total_ul(open_lab, [stand(gallons=3, in_cabinet=True), stand(gallons=2)]) == round(2 * GALLON_UL)


@pytest.mark.parametrize(
    ("text", "material"),
    [
        ("Glass", "glass"), ("amber glass", "glass"), ("AMBER", "glass"), ("HDPE", "plastic"),
        ("plastic-coated steel", "plastic"), ("stainless steel", "metal"), ("tin can", "metal"),
        ("Type I safety can", "safety-can"), ("safety-can", "safety-can"), ("DOT metal drum", "drum"),
        ("steel drum", "metal"), ("", ""), ("pepper pot", ""), ("unknown", ""), ("glasslike", ""),
    ],
)  # fmt: skip
def test_words_for_materials(text: str, material: str) -> None:
    assert material_of(text) == material


def test_every_row_has_its_source_and_known_words() -> None:
    rows = load_templates()
    assert len(rows) > 50
    for row in rows.values():
        assert row.source.strip()
        assert row.code.strip()
        assert row.amount_ul > 0
        assert row.categories <= set(CATEGORIES[row.scheme])
        assert row.materials <= set(MATERIALS)
    assert all(row.source for row in load_reductions().values())
