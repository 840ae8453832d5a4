"""The waterfall closes to the µl and counts no loss twice."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from recovery.rules.amounts import Part
from recovery.rules.balance import Named, Return, balance
from recovery.rules.predicted import Ask, Told, predict
from recovery.rules.waterfall import Waterfall, waterfall
from recovery.rules.wet_returns import water_share
from tests.recovery.rules.measured import part, properties

FACTS = {"water-volume": Told(200.0, 1.0), "water-temperature": Told(20.0, 0.3), "transfers": Told(3.0)}
ASKED = frozenset({"water-volume", "transfers", "open-time"})


def fall(back: str, named: list[Named], water: str = "no-water", **more: object) -> Waterfall:
    share = water_share(water, saturated=(0.013, 0.001))  # type: ignore[arg-type]
    found = balance(
        charged=[part("300")],
        returned=[Return(part(back), share)],
        named=named,
        density_kg_m3=713.6,
        **more,  # type: ignore[arg-type]
    )
    ask = Ask(properties(), 300.0, float(back), FACTS, asked=ASKED)
    return waterfall(solvent="diethyl ether", balance=found, prediction=predict(ask))


def test_steps_lead_from_what_was_charged_to_nothing() -> None:
    found = fall("262", [], "wet")
    assert found.closes
    assert [bar.role for bar in found.bars][:2] == ["start", "out"]
    assert found.bars[-1].ends_ul == 0
    for before, bar in zip(found.bars, found.bars[1:], strict=False):
        assert bar.begins_ul == before.ends_ul
        assert bar.begins_ul - bar.ends_ul == bar.value_ul
    assert found.bars[1].note.endswith("of water in it")


def test_what_is_not_told_is_listed_and_said() -> None:
    found = fall("262", [])
    silent = next(bar for bar in found.bars if bar.code == "predicted-open-vessels")
    assert (silent.state, silent.value_ul) == ("not-told", 0)
    assert any("nothing can be said of" in note for note in found.notes)


def test_a_measured_loss_is_not_predicted_again() -> None:
    water = Named("water-layer", (Part(20_000, 500.0),))
    found = fall("262", [water])
    codes = [bar.code for bar in found.bars]
    assert "water-layer" in codes and "predicted-water-phase" not in codes
    assert any("not predicted, because it was measured" in note for note in found.notes)


def test_less_missing_than_predicted_is_no_gain() -> None:
    found = fall("296", [])
    assert found.unexplained.volume_ul < 0
    assert "less is missing than was predicted" in found.words


def test_more_back_than_out_stays_a_finding() -> None:
    found = fall("330", [])
    assert found.code == "unexplained-gain"
    assert "not to be put down to measuring" in found.words


def test_a_leak_shows_beyond_what_is_predicted() -> None:
    found = fall("200", [])
    assert found.code == "unexplained-loss"
    assert found.words.endswith("beyond what is recorded and predicted")


def test_an_open_run_says_so() -> None:
    found = fall("20", [], held_ul=200_000, is_open=True)
    assert found.code == "still-open"
    assert "held" in [bar.code for bar in found.bars]


amounts = st.lists(st.builds(Part, st.integers(0, 10**7), st.floats(0, 1e4)), max_size=4)


@given(amounts, amounts, amounts, st.integers(0, 10**6))
def test_it_always_closes(out: list[Part], back: list[Part], gone: list[Part], held_ul: int) -> None:
    share = water_share("not-told", saturated=(0.013, 0.001))
    found = balance(
        charged=out,
        returned=[Return(one, share) for one in back],
        named=[Named("air", tuple(gone))],
        held_ul=held_ul,
        density_kg_m3=713.6,
    )
    ask = Ask(properties(), sum(one.volume_ul for one in out) / 1000, None, FACTS, asked=ASKED)
    assert waterfall(solvent="ether", balance=found, prediction=predict(ask)).closes
