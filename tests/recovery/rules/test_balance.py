"""The balance closes exactly, and only what lies beyond its uncertainty is flagged."""

from __future__ import annotations

from math import erfc, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from recovery.rules.amounts import Combined, Part
from recovery.rules.balance import Balance, Named, Return, balance, significance
from recovery.rules.balance_words import plus_minus, remainder_words
from recovery.rules.wet_returns import DRY, WaterShare, water_share
from tests.recovery.rules.measured import part

ETHER = 713.6
WET = water_share("wet", saturated=(0.013, 0.001))


def of(out: list[Part], back: list[Part], water: WaterShare = DRY, **more: object) -> Balance:
    returned = [Return(one, water) for one in back]
    return balance(charged=out, returned=returned, density_kg_m3=ETHER, **more)  # type: ignore[arg-type]


def test_a_loss_in_words() -> None:
    """38 mL missing, u = 3 mL: U = 6 mL with k = 2 (JCGM 100:2008 6.3)."""
    found = of([Part(300_000, sqrt(4.5) * 1000)], [Part(262_000, sqrt(4.5) * 1000)])
    assert found.words == "38.0 ± 6.0 mL (k = 2) beyond what is explained"
    assert (found.code, found.flagged) == ("unexplained-loss", True)
    assert found.z == pytest.approx(38 / 3)


def test_within_its_uncertainty_nothing_is_flagged() -> None:
    found = of([part("200")], [part("198")])
    assert (found.code, found.flagged) == ("within-uncertainty", False)
    assert "no more than the measuring may be wrong by" in found.words


def test_more_back_than_out_is_told_with_its_significance() -> None:
    found = of([part("200", instrument="cylinder-a-250")], [part("215", instrument="cylinder-a-250")])
    assert found.code == "unexplained-gain"
    assert "not to be put down to measuring" in found.words
    assert found.z is not None and found.z < -2
    assert found.p == pytest.approx(erfc(abs(found.z) / sqrt(2)))


def test_water_brought_back_is_missing_as_ether() -> None:
    """The cylinder says that all came back; 1.3 % of it by mass is water."""
    found = of([part("250")], [part("250")], WET)
    assert found.water.volume_ul == pytest.approx(250_000 * 0.0093, rel=0.01)
    assert found.unexplained.volume_ul == found.water.volume_ul
    assert found.remainder_ul == 0


def test_what_is_named_is_explained() -> None:
    waste = Named("waste-container", (part("30"),))
    found = of([part("200")], [part("165")], named=[waste])
    assert found.lost.volume_ul == 35_000
    assert found.unexplained.volume_ul == 5_000
    assert found.named[0].words == "put into waste containers"


def test_a_published_balance() -> None:
    """City of Eugene, materials accounting: 8000 lb bought and 2000 recycled used, 2000 back, 6000 in the
    product, 1500 in solid waste: 500 lb a year to the vent. Pounds stand for µl here."""
    product, waste = Named("product", (Part(6000),)), Named("waste-contractor", (Part(1500),))
    found = of([Part(8000), Part(2000)], [Part(2000)], named=[product, waste])
    assert found.unexplained.volume_ul == 500


def test_an_open_run_calls_nothing_missing() -> None:
    found = of([part("200")], [part("20")], held_ul=180_000, is_open=True)
    assert (found.code, found.flagged) == ("still-open", False)


def test_one_cylinder_for_both_sides_sees_smaller_losses() -> None:
    one = of([part("200", instrument="cylinder-b-250")], [part("195", instrument="cylinder-b-250")])
    two = of([part("200", instrument="cylinder-b-250")], [part("195", instrument="cylinder-b-500")])
    assert one.unexplained.u_ul < two.unexplained.u_ul
    assert any("one and the same piece" in note for note in one.notes)


def test_what_other_pieces_would_make_of_it_is_told() -> None:
    found = of([part("200")], [part("195")])
    assert found.flagged
    told = [note for note in found.notes if "another piece of the same name" in note]
    assert len(told) == 1
    assert of([part("200", instrument=None)], [part("195", instrument=None)]).notes[-1] not in told


def test_few_repeats_widen_the_interval() -> None:
    few = of([Part(300_000, 3000.0, dof=2)], [Part(290_000)])
    assert few.code == "within-uncertainty"  # k = 4.5 at two degrees of freedom
    assert "2 degrees of freedom" in few.words
    assert few.p == pytest.approx(2 * student.sf(10 / 3, 2))


def test_nothing_uncertain_has_no_significance() -> None:
    assert significance(Combined(5, 0.0)) == (None, None)


whole = st.integers(0, 10**9)
some = st.builds(Part, whole, st.floats(0, 1e5), st.dictionaries(st.sampled_from("ab"), st.floats(-1e4, 1e4)))
share = st.builds(WaterShare, st.floats(0, 0.5), st.floats(0, 0.1), st.sampled_from(["", "s"]), st.just(""))
kinds = st.sampled_from(["waste-container", "water-layer", "air", "product", "still-residue"])
events = st.lists(
    st.one_of(
        st.tuples(st.just("charge"), some),
        st.tuples(st.just("return"), st.builds(Return, some, share, st.booleans())),
        st.tuples(st.just("loss"), st.builds(Named, kinds, st.tuples(some))),
    ),
    max_size=12,
)


@given(events, st.integers(-(10**6), 10**9))
def test_it_closes_exactly_for_any_sequence_of_events(told: list[tuple[str, object]], held_ul: int) -> None:
    """Every µl is somewhere: charged = solvent + water + held + named + remainder."""
    sorts: dict[str, list[object]] = {"charge": [], "return": [], "loss": []}
    for sort, event in told:
        sorts[sort].append(event)
    found = balance(
        charged=sorts["charge"],  # type: ignore[arg-type]
        returned=sorts["return"],  # type: ignore[arg-type]
        named=sorts["loss"],  # type: ignore[arg-type]
        held_ul=held_ul,
        density_kg_m3=ETHER,
    )
    assert found.closes
    assert found.returned.volume_ul == found.solvent_returned.volume_ul + found.water.volume_ul
    booked = sum(one.volume_ul for one in sorts["charge"])  # type: ignore[attr-defined]
    booked -= sum(one.part.volume_ul for one in sorts["return"]) + held_ul  # type: ignore[attr-defined]
    booked -= sum(row.amount.volume_ul for row in found.named)
    assert found.remainder_ul == booked
    assert found.flagged == (abs(found.unexplained.volume_ul) > found.unexplained.expanded_ul)


@pytest.mark.parametrize(
    ("volume_ul", "expanded_ul", "words"),
    [
        (38_214, 5_740, "38.2 ± 5.8 mL"),
        (38_214, 1_740, "38.2 ± 1.8 mL"),
        (38_214, 96, "38.214 ± 0.096 mL"),
        (38_214, 996, "38.2 ± 1.0 mL"),
        (8_800, 30_100, "9 ± 31 mL"),
        (1_234_000, 41_000, "1\u202f234 ± 41 mL"),
        (-38_214, 5_740, "\u221238.2 ± 5.8 mL"),
        (12_500, 0, "12.5 mL"),
        (0, 0.4, "0.000 ± 0.001 mL"),
        (3, 960_000, "0 ± 960 mL"),
    ],
)
def test_no_more_figures_than_are_known(volume_ul: int, expanded_ul: float, words: str) -> None:
    """JCGM 100:2008 7.2.6: at most two figures of U, rounded up here, and the value to the same place."""
    assert plus_minus(volume_ul, expanded_ul) == words


@given(st.integers(-(10**10), 10**10), st.floats(0, 1e8))
def test_words_never_look_better_known_than_it_is(volume_ul: int, expanded_ul: float) -> None:
    said = plus_minus(volume_ul, expanded_ul)
    if "±" in said:
        assert float(said.split("± ")[1].removesuffix(" mL").replace("\u202f", "")) * 1000 >= expanded_ul * (
            1 - 1e-12
        )
    assert remainder_words(Combined(volume_ul, expanded_ul / 2))
