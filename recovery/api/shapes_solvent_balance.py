"""What the answers about the solvent balance of a period look like, for the schema."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from inventory.api.shapes import Number, QuantityShape, Shape, Words, text
from recovery.rules.solvent_terms import TERMS


class _Terms(Shape):
    """The terms of Directive 2010/75/EU Annex VII Part 7."""

    def get_fields(self) -> dict[str, Any]:
        return {term: QuantityShape() for term in TERMS}


class SolventTermsShape(_Terms):
    """I1, I2 and O1 to O9, exactly."""


class SolventFiguresShape(Shape):
    """I1 = opening + brought_in - closing; fugitive and fugitive_direct are the two ways to F."""

    opening = QuantityShape()
    brought_in = QuantityShape()
    closing = QuantityShape()
    terms = SolventTermsShape()
    consumption = QuantityShape()
    fugitive = QuantityShape()
    fugitive_direct = QuantityShape()
    difference = QuantityShape(help_text="Between the two ways to F; zero, or the balance does not close.")
    total_emission = QuantityShape()
    fugitive_share = Number(allow_null=True, help_text="F over I1 + I2; null when nothing was put in.")


class SolventStockShape(Shape):
    kind = text()
    opening = QuantityShape()
    closing = QuantityShape()


class SolventFlowShape(Shape):
    """terms: what it feeds, as "+O4"; empty inside the stock. apart: line it is printed on once more."""

    source = text()
    destination = text()
    volume = QuantityShape()
    mass = QuantityShape()
    terms = Words()
    words = text()
    apart = text()


class BalancedSolventShape(Shape):
    key = text()
    name = text()
    density_kg_m3 = Number()
    mass = SolventFiguresShape()
    volume = SolventFiguresShape()
    stock = SolventStockShape(many=True)
    flows = SolventFlowShape(many=True)


class SolventApartShape(Shape):
    code = text()
    words = text()
    mass = QuantityShape()


class SolventTermShape(Shape):
    term = text()
    words = text()
    source = text()


class SolventTermRowShape(Shape):
    """Which movement feeds what: from any of `from` to any of `to`."""

    terms = Words()
    words = text()
    source = text()
    apart = text()

    def get_fields(self) -> dict[str, Any]:
        return {"from": Words(), "to": Words(), **super().get_fields()}


class SolventBalanceShape(Shape):
    """since, until: months; null: from the first record, to the last."""

    lab = text()
    since = serializers.CharField(allow_null=True)
    until = serializers.CharField(allow_null=True)
    closes = serializers.BooleanField()
    total = SolventFiguresShape()
    apart = SolventApartShape(many=True)
    solvents = BalancedSolventShape(many=True)
    terms = SolventTermShape(many=True)
    rows = SolventTermRowShape(many=True)
    stock_kinds = Words()
    cautions = Words()
    sources = Words()
