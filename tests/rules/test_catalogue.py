"""The shipped solvent data: sources, safer values, classes, and figures of the `chemicals` library."""

from __future__ import annotations

import csv
import time
from collections.abc import Callable
from decimal import Decimal

import chemicals
import pytest

from inventory.rules import catalogue
from inventory.rules.catalogue import Fact, SolventData, load_catalogue
from inventory.rules.chemicals_lookup import check_cas
from inventory.rules.names import DATA

CATALOGUE = load_catalogue()
SOLVENTS = list(CATALOGUE.values())
#: differences that must be pointed out, as SOURCES.md says: absolute, or a share of the first value
ABSOLUTE = {"flash-point": "3", "lel": "0.25", "uel": "1.5", "autoignition": "20", "boiling-point": "0.5"}
SHARES = {"density-20c": "0.003", "vapour-pressure-20c": "0.03", "expansion-20c": "0.05"}


def each_fact() -> list[tuple[SolventData, Fact]]:
    return [(solvent, fact) for solvent in SOLVENTS for fact in solvent.facts]


def by_key(solvent: SolventData) -> str:
    return solvent.key


def test_size_and_speed_of_reading() -> None:
    """Processor time as a multiple of reading the two tables and nothing more, just before."""
    assert len(CATALOGUE) == 38
    least = _best_of_five(_read_the_tables)
    assert _best_of_five(catalogue.load_catalogue.__wrapped__) < 10 * least


def _best_of_five(work: Callable[[], object]) -> float:
    seconds = []
    for _ in range(5):
        started = time.process_time()
        work()
        seconds.append(time.process_time() - started)
    return min(seconds)


def _read_the_tables() -> None:
    for name in ("solvents.csv", "properties.csv"):
        with (DATA / name).open(encoding="utf-8", newline="") as lines:
            assert list(csv.DictReader(lines))


def test_every_value_has_a_source() -> None:
    assert all(fact.source for _, fact in each_fact())
    assert all(fact.second_source for _, fact in each_fact() if fact.second)
    assert all(solvent.peroxide_basis and solvent.hazard_basis for solvent in SOLVENTS)
    assert all(fact.half_width for _, fact in each_fact() if fact.name in ("density-20c", "expansion-20c"))


def test_every_solvent_can_be_measured() -> None:
    assert all(solvent.liquid is not None for solvent in SOLVENTS)


@pytest.mark.parametrize("solvent", SOLVENTS, ids=by_key)
def test_identity_against_the_chemicals_library(solvent: SolventData) -> None:
    """CAS check digit by the CAS rule; molar mass from the library's own identifier table."""
    assert check_cas(solvent.cas) == solvent.cas
    if solvent.key != "petroleum-ether-40-60":
        assert float(solvent.molar_mass_g_per_mol) == pytest.approx(chemicals.MW(solvent.cas), abs=0.002)


@pytest.mark.parametrize("solvent", SOLVENTS, ids=by_key)
def test_fire_data_are_never_milder_than_iec_60079_20_1(solvent: SolventData) -> None:
    """IEC 60079-20-1:2010 as carried by the `chemicals` library."""
    method = "IEC 60079-20-1 (2010)"
    if flash := chemicals.T_flash(solvent.cas, method=method):
        assert solvent.flash_point_c is not None
        assert float(solvent.flash_point_c) <= flash - 273.15 + 0.01
    if lower := chemicals.LFL(CASRN=solvent.cas, method=method):
        assert solvent.lel_vol_pct is not None
        assert float(solvent.lel_vol_pct) <= lower * 100 + 0.001
    if ignition := chemicals.T_autoignition(solvent.cas, method=method):
        assert solvent.autoignition_c is not None
        assert float(solvent.autoignition_c) <= ignition - 273.15 + 0.01


def test_the_safer_of_two_values_is_used() -> None:
    for _, fact in each_fact():
        if fact.name in ("flash-point", "boiling-point", "lel", "autoignition") and fact.second:
            assert fact.in_use == min(Decimal(fact.value), Decimal(fact.second))
        if fact.name in ("uel", "vapour-pressure-20c") and fact.second:
            assert fact.in_use == max(Decimal(fact.value), Decimal(fact.second))


def test_recorded_disagreements_are_shown() -> None:
    checked = 0
    for solvent, fact in each_fact():
        if not fact.second or (fact.name not in ABSOLUTE and fact.name not in SHARES):
            continue
        first, second = Decimal(fact.value), Decimal(fact.second)
        limit = Decimal(ABSOLUTE[fact.name]) if fact.name in ABSOLUTE else first * Decimal(SHARES[fact.name])
        if abs(first - second) > limit:
            checked += 1
            assert fact.disagreement, (solvent.key, fact.name)
            assert f"{fact.name}: {fact.disagreement}" in solvent.disagreements
    assert checked > 30


@pytest.mark.parametrize(
    ("key", "name", "used"),
    [
        ("1-4-dioxane", "autoignition", "180"),  # NFPA 497 against 375 in IEC
        ("tetrahydrofuran", "autoignition", "230"),
        ("diisopropyl-ether", "lel", "1"),
        ("diisopropyl-ether", "uel", "21"),
        ("tert-butyl-methyl-ether", "flash-point", "-80"),  # doubtful, and said so
        ("n-hexane", "flash-point", "-23"),
        ("o-xylene", "lel", "0.9"),
        ("tetrahydrofuran", "density-20c", "889"),  # CRC (from memory)
    ],
)
def test_largest_disagreements(key: str, name: str, used: str) -> None:
    assert CATALOGUE[key].number(name) == Decimal(used)


def test_doubtful_flash_point_is_shown_and_changes_no_class() -> None:
    mtbe = CATALOGUE["tert-butyl-methyl-ether"]
    assert any("entry error" in line for line in mtbe.disagreements)
    assert (mtbe.ghs_category, mtbe.nfpa30_class) == (2, "IB")


@pytest.mark.parametrize(
    ("key", "category", "nfpa"),
    [
        ("diethyl-ether", 1, "IA"),
        ("n-pentane", 2, "IA"),
        ("acetone", 2, "IB"),
        ("n-butyl-acetate", 2, "IB"),
        ("2-butanol", 3, "IC"),
        ("n-n-dimethylformamide", 3, "II"),
        ("dimethyl-sulfoxide", 4, "IIIA"),
        ("petroleum-ether-40-60", 2, "IB"),
        ("dichloromethane", None, None),
        ("chloroform", None, None),
        ("water", None, None),
    ],
)
def test_classes(key: str, category: int | None, nfpa: str | None) -> None:
    """Edges of 29 CFR 1910.106(a)(19) and NFPA 30 (2003) 1.7.3 on the recorded flash and boiling points."""
    assert (CATALOGUE[key].ghs_category, CATALOGUE[key].nfpa30_class) == (category, nfpa)


@pytest.mark.parametrize("solvent", SOLVENTS, ids=by_key)
def test_hazard_statement_is_not_milder_than_the_category(solvent: SolventData) -> None:
    """CLP: category 1 H224, 2 H225, 3 H226; 1 and 2 carry Danger."""
    category = solvent.ghs_category
    if category in (1, 2, 3):
        statement = {1: "H224", 2: "H225", 3: "H226"}[category]
        assert statement in solvent.h_codes
        assert "GHS02" in solvent.pictograms
    if category in (1, 2):
        assert solvent.signal_word == "Danger"


@pytest.mark.parametrize(
    ("key", "expected"),
    [
        ("diisopropyl-ether", "A"),  # Cornell App. J, list A
        ("diethyl-ether", "B"),  # Cornell App. J, list B
        ("tetrahydrofuran", "B"),
        ("1-4-dioxane", "B"),
        ("1-2-dimethoxyethane", "B"),
        ("2-propanol", "B"),
        ("2-butanol", "B"),
        ("4-methyl-2-pentanone", "B"),
        ("cyclohexene", "B"),
        ("2-methyltetrahydrofuran", "B"),  # by analogy with THF
        ("cyclopentyl-methyl-ether", "B"),  # recorded as B/D: the worse
        ("tert-butyl-methyl-ether", "D"),  # recorded as slow
        ("2-butanone", "D"),  # listed by some sites
        ("ethanol", "none"),
        ("ethyl-acetate", "none"),
        ("chloroform", "none"),
    ],
)
def test_peroxide_class(key: str, expected: str) -> None:
    assert CATALOGUE[key].peroxide_class == expected


def test_doubtful_words_never_mean_none() -> None:
    for solvent in SOLVENTS:
        recorded = solvent.peroxide_basis.casefold()
        if any(word in recorded for word in ("slow", "treat as", "analogy", "some sites")):
            assert solvent.peroxide_class in ("A", "B", "C", "D"), solvent.key


def test_mutual_solubility() -> None:
    """Diethyl ether 6.9 % in water, 1.3 % water in ether at 20 °C: CRC Handbook (from memory)."""
    ether = CATALOGUE["diethyl-ether"]
    assert ether.solubility_in_water_mass_pct == Decimal("6.9")
    assert ether.water_in_solvent_mass_pct == Decimal("1.3")
    assert ether.miscible_with_water is False
    assert CATALOGUE["ethanol"].miscible_with_water is True
    assert CATALOGUE["cyclohexene"].miscible_with_water is None


def test_acetone_vapour_pressure_from_its_antoine_constants() -> None:
    """24.71 kPa at 20 °C, Poling et al., Properties of Gases and Liquids."""
    antoine = CATALOGUE["acetone"].antoine
    assert antoine is not None
    kpa = 10 ** (float(antoine.a) - float(antoine.b) / (293.15 + float(antoine.c))) / 1000
    assert kpa == pytest.approx(24.71, abs=0.05)
    assert antoine.min_k < Decimal("293.15") < antoine.max_k
