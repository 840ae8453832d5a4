"""The calculator of control charts."""

from __future__ import annotations

import re
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from inventory.api.calculator import Calculator
from inventory.api.fields import Body, DecimalTextField, FlagField
from inventory.api.shapes import Number, Shape, Words, number, text
from inventory.rules.errors import InputError
from recovery.api.shapes_losses import RuleShape
from recovery.rules.chart_entry import (
    FORMULA,
    SOURCES,
    VALUES_LEAST,
    VALUES_MOST,
    ChartAsk,
    ChartWorked,
    beyond,
    work_chart,
)
from recovery.rules.run_rules import RULE_SETS, RULES

NUMBER = r"-?[0-9]{1,9}(\.[0-9]{1,9})?"
WEIGHT = r"(0\.[0-9]{0,2}[1-9]|1)"
DIGITS = 10


@extend_schema_field({"type": "string", "pattern": f"^{NUMBER}$"})
class ValueField(serializers.Field[Any, Any, Any, Any]):
    """A number as text, such as "49.6" or "-3.2"."""

    default_error_messages = {"not-a-number": 'Send text such as "49.6", with at most nine decimals.'}

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, str) and re.fullmatch(NUMBER, data, re.ASCII):
            return float(data)
        return self.fail("not-a-number")


@extend_schema_field({"type": "string", "pattern": f"^{WEIGHT}$"})
class WeightField(serializers.Field[Any, Any, Any, Any]):
    """Over 0 and 1 at most, as text."""

    default_error_messages = {"out-of-range": 'Send text such as "0.2": over 0, at most 1, three decimals.'}

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, str) and re.fullmatch(WEIGHT, data, re.ASCII):
            return float(data)
        return self.fail("out-of-range")


class ControlChartAsk(Body):
    """Values in the order in which they were taken, all in one unit."""

    values = serializers.ListField(child=ValueField(), min_length=VALUES_LEAST, max_length=VALUES_MOST)
    centre = ValueField(required=False, help_text="Of a known process. Left out: the baseline's mean.")
    sigma = ValueField(required=False, help_text="Standard deviation. Left out: mean moving range / 1.128.")
    baseline = serializers.IntegerField(
        min_value=VALUES_LEAST,
        max_value=VALUES_MOST,
        required=False,
        help_text="First values that centre and spread come from. Left out, or more than there are: all.",
    )
    weight = WeightField(required=False, help_text="λ of the EWMA, over 0 up to 1. Left out: 0.2.")
    width = DecimalTextField(required=False, help_text="L, in standard errors. Left out: 3.")
    exact = FlagField(required=False, help_text="EWMA limits as they widen at the start. Left out: true.")
    allowance = DecimalTextField(required=False, help_text="k of the CUSUM in sigma. Left out: 0.5.")
    interval = DecimalTextField(required=False, help_text="h of the CUSUM in sigma. Left out: 5.")
    rules = serializers.ChoiceField(
        list(RULE_SETS), required=False, help_text="Left out: western-electric-1956."
    )


class ChartValueShape(Shape):
    """beyond: 1 above the limit, -1 below, 0 within; null where the value is part of the baseline."""

    value = Number()
    moving_range = number()
    ewma = number()
    ewma_lower = number()
    ewma_upper = number()
    ewma_beyond = serializers.IntegerField(allow_null=True)
    cusum_high = number()
    cusum_low = number()
    cusum_beyond = serializers.IntegerField(allow_null=True)
    broken = Words(help_text="Keys of the run rules that this value completes.")


class ControlChartShape(Shape):
    centre = Number()
    sigma = Number()
    lower = Number()
    upper = Number()
    range_mean = Number()
    range_upper = Number()
    baseline = serializers.IntegerField()
    ewma_lower = Number(help_text="What its limits come to.")
    ewma_upper = Number()
    cusum_limit = Number()
    points = ChartValueShape(many=True)
    rules = RuleShape(many=True, help_text="All that were looked for.")
    notes = Words()
    formula = text()
    sources = Words()


class ControlCharts(Calculator):
    """Individuals and moving range, EWMA and CUSUM of some values, and the run rules that they break."""

    name = "control-chart"
    summary = "Work a control chart out"
    words = "Numbers have the unit of the values, whatever it is."
    ask = ControlChartAsk
    answer = ControlChartShape
    formula = FORMULA
    sources = SOURCES

    def work(self, data: Any) -> dict[str, Any]:
        ask = _asked(data)
        try:
            worked = work_chart(ask)
        except ValueError as error:
            words = f"{str(error)[0].upper()}{str(error)[1:]}."
            raise InputError("values", "no-chart", words, "Check what is told.") from error
        return chart_out(ask, worked)


def _asked(data: Any) -> ChartAsk:
    """The body with its numbers checked. Raises InputError naming the field."""
    told = dict(data)
    told |= {name: float(data[name]) for name in ("width", "allowance", "interval") if name in data}
    ask = ChartAsk(**told | {"values": tuple(data["values"])})
    if ask.sigma is not None and ask.sigma <= 0:
        raise InputError("sigma", "out-of-range", "A standard deviation is over 0.", "Leave it out.")
    return ask


def _text(value: float) -> str:
    """To ten figures: no more is meant."""
    return f"{value:.{DIGITS}g}"


def chart_out(ask: ChartAsk, worked: ChartWorked) -> dict[str, Any]:
    limits = worked.limits
    numbers = {
        "centre": limits.centre,
        "sigma": limits.sigma,
        "lower": limits.lower,
        "upper": limits.upper,
        "range_mean": limits.range_mean,
        "range_upper": limits.range_upper,
        "ewma_lower": worked.ewma_lower,
        "ewma_upper": worked.ewma_upper,
        "cusum_limit": worked.cusum_limit,
    }
    return {
        **{name: _text(value) for name, value in numbers.items()},
        "baseline": limits.count,
        "points": [_point(ask, worked, at) for at in range(len(ask.values))],
        "rules": [
            {"key": rule.key, "words": rule.words, "source": rule.source} for rule in RULE_SETS[ask.rules]
        ],
        "notes": list(worked.notes),
        "formula": FORMULA,
        "sources": list(SOURCES),
    }


def _point(ask: ChartAsk, worked: ChartWorked, at: int) -> dict[str, Any]:
    broken = [RULES[one.rule].key for one in worked.broken if one.at == at]
    here = {
        "value": _text(ask.values[at]),
        "moving_range": _text(worked.moved[at - 1]) if at else None,
        "broken": broken,
    }
    names = ("ewma", "ewma_lower", "ewma_upper", "ewma_beyond", "cusum_high", "cusum_low", "cusum_beyond")
    late = at - worked.first
    if late < 0:
        return here | dict.fromkeys(names)
    band, sums = worked.ewma[late], worked.cusum[late]
    return here | {
        "ewma": _text(band.value),
        "ewma_lower": _text(band.lower),
        "ewma_upper": _text(band.upper),
        "ewma_beyond": band.beyond,
        "cusum_high": _text(sums.high),
        "cusum_low": _text(sums.low),
        "cusum_beyond": beyond([sums], worked.cusum_limit)[0],
    }
