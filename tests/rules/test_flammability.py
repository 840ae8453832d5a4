"""Edges of the flammability classes: 29 CFR 1910.106(a)(19) for GHS/OSHA, NFPA 30 (2003) 1.7.3."""

from __future__ import annotations

from decimal import Decimal

import pytest

from inventory.rules.flammability import ghs_category, nfpa30_class


@pytest.mark.parametrize(
    ("flash", "boiling", "category"),
    [
        ("-45", "34.4", 1),  # diethyl ether
        ("22.9", "35", 1),
        ("22.9", "35.1", 2),
        ("22.99", "100", 2),
        ("23", "30", 3),
        ("60", "150", 3),
        ("60.1", "150", 4),
        ("93", "200", 4),
        ("93.1", "200", None),
    ],
)
def test_ghs_edges(flash: str, boiling: str, category: int | None) -> None:
    assert ghs_category(Decimal(flash), Decimal(boiling)) == category


@pytest.mark.parametrize(
    ("flash", "boiling", "expected"),
    [
        ("-45", "34.4", "IA"),
        ("22.7", "37.7", "IA"),
        ("22.7", "37.8", "IB"),
        ("22.8", "30", "IC"),
        ("22.9", "36", "IC"),
        ("37.7", "100", "IC"),
        ("37.8", "100", "II"),
        ("59.9", "100", "II"),
        ("60.0", "150", "IIIA"),
        ("92.9", "150", "IIIA"),
        ("93", "200", "IIIB"),
    ],
)
def test_nfpa_30_edges(flash: str, boiling: str, expected: str) -> None:
    assert nfpa30_class(Decimal(flash), Decimal(boiling)) == expected


def test_what_is_missing_counts_as_the_worst() -> None:
    assert ghs_category(None, Decimal(150)) == 1
    assert nfpa30_class(None, Decimal(150)) == "IA"
    assert ghs_category(Decimal(10), None) == 1
    assert nfpa30_class(Decimal(10), None) == "IA"


def test_no_flash_point_to_find_is_no_class() -> None:
    assert ghs_category(None, Decimal(40), has_flash_point=False) is None
    assert nfpa30_class(None, Decimal(40), has_flash_point=False) is None
