"""What should stand apart: the shipped grouping, and what is not in it."""

from __future__ import annotations

from itertools import combinations_with_replacement
from typing import get_args

import pytest

from inventory.rules.catalogue import load_catalogue
from inventory.rules.phrases import Phrase
from inventory.rules.storage import load_reductions, load_templates
from inventory.rules.storage_groups import NOT_KNOWN, Bond, clashes, load_groups
from inventory.rules.waste import load_keeping, load_monthly


def found(one: str, other: str, bond: Bond) -> list[tuple[str, str]]:
    groups = load_groups()
    first, second = (groups.of(key, shipped=True) for key in (one, other))
    return [(clash.code, clash.effect) for clash in clashes(groups, first, second, bond)]


def test_every_shipped_solvent_has_its_groups() -> None:
    assert load_groups().solvents.keys() == load_catalogue().keys()


@pytest.mark.parametrize(
    ("one", "other", "bond", "effect"),
    [
        # Common practice, no source, or from memory, as the rows say.
        ("ethyl-acetate", "n-heptane", "beside", None),
        ("acetic-acid", "ethyl-acetate", "beside", None),
        ("acetic-acid", "pyridine", "beside", "warn"),
        ("chloroform", "acetone", "beside", "warn"),
        ("dichloromethane", "pyridine", "beside", "warn"),
        ("acetone", "chloroform", "together", "refuse"),
        ("acetic-acid", "pyridine", "together", "refuse"),
        ("dichloromethane", "n-hexane", "together", "warn"),
        ("ethanol", "acetone", "together", None),
    ],
)
def test_pairs(one: str, other: str, bond: Bond, effect: str | None) -> None:
    met = found(one, other, bond)
    assert (met[0][1] if met else None) == effect
    assert found(other, one, bond) == met


def test_what_nobody_grouped_stands_apart() -> None:
    groups = load_groups()
    assert groups.of("acetone", shipped=False) is None
    for other in (None, groups.of("water", shipped=True)):
        (clash,) = clashes(groups, None, other, "beside")
        assert (clash.code, clash.effect) == (NOT_KNOWN, "warn")


def test_refusals_come_first_and_no_liquid_clashes_with_itself() -> None:
    keys = sorted(load_groups().solvents)
    for one, other in combinations_with_replacement(keys, 2):
        for bond in get_args(Bond):
            effects = [effect for _, effect in found(one, other, bond)]
            assert effects == sorted(effects)
            assert not (one == other and effects)


def test_keeping_times() -> None:
    """EPA memo 2004-03-17: 90 and 180 days, 270 when far; RCRA Online 14703: 3 days."""
    days = {key: row.days for key, row in load_keeping().items()}
    assert days == {
        "large-generator": 90, "small-generator": 180, "small-generator-far": 270, "satellite-excess": 3,
    }  # fmt: skip
    assert {key: row.mass_kg for key, row in load_monthly().items()} == {
        "very-small-generator": 100, "small-generator": 1000,
    }  # fmt: skip
    assert all(row.source for row in load_keeping().values())
    assert all(row.source for row in load_monthly().values())


def test_every_row_of_the_shipped_tables_can_be_said_in_another_language() -> None:
    """Words kept as data are in the list that translators read, each as the table has it."""
    groups = load_groups()
    words = [pair.words for pair in (*groups.beside, *groups.together)]
    words += [row.name for row in load_templates().values()]
    words += [row.name for row in load_reductions().values()]
    assert [each for each in words if not isinstance(each, Phrase)] == []
