"""What the readings of a container say of the day on which the action level may be reached."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.http import HttpResponse

from inventory.api.base import Contract, LabView
from inventory.api.lookup import container_at
from inventory.api.pictures import PictureView, picture_of
from inventory.api.shapes_forecast import ForecastShape
from inventory.models import Container
from inventory.rules.deciding import Tested
from inventory.rules.forecast import BandPoint, Growth
from inventory.rules.pictures import growth as pictures
from inventory.services.forecasting import Outlook, outlook_of, point_of


class ContainerForecast(LabView):
    """The line through the readings since the last reset, its band, and when that meets the action level."""

    contracts = {
        "GET": Contract(
            "safety.read",
            ForecastShape,
            "When the action level may be reached",
            words="From the dated tests since the last reset: opening, making, treatment, anything put in. "
            "It brings a test forward and never puts one off: the next test is the earlier of policy and "
            "forecast.",
        )
    }

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        found = container_at(self.caller, container)
        return self.detail(_forecast_out(found, outlook_of(found)))


# A band of so many steps looks like a curve.
PICTURE_SAMPLES = 24


class ContainerForecastPicture(PictureView):
    """The same drawn: readings as intervals, line, band, the policy's levels and the next test."""

    contracts = {"GET": picture_of("safety.read", "Picture of the growth of peroxide")}

    def get(self, request: Any, lab: str, container: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters before any work
        found = container_at(self.caller, container)
        growth = _growth_drawn(found, outlook_of(found, samples=PICTURE_SAMPLES))
        return self.picture(lambda look: pictures.draw_growth(growth, look))


def _growth_drawn(container: Container, outlook: Outlook) -> pictures.Growth:
    told = outlook.forecast
    deciding = next((level for level in outlook.levels if level.forbids_drawing), None)
    return pictures.Growth(
        container=container.code,
        solvent="" if container.lot is None else container.lot.solvent.name,
        readings=tuple(_reading_drawn(test) for test in outlook.tests),
        levels=tuple(
            pictures.ActionLevel(float(level.amount_mg_per_l), level.words, level is deciding)
            for level in outlook.levels
        ),
        band=tuple(pictures.Band(p.day, p.low_mg_per_l, p.line_mg_per_l, p.high_mg_per_l) for p in told.band),
        words=told.words,
        reached_on=told.on,
        next_test_on=container.next_test_due,
        cautions=told.cautions,
    )


def _reading_drawn(test: Tested) -> pictures.Reading:
    point = point_of(test)
    upper = point.upper_mg_per_l
    return pictures.Reading(
        point.day, float(point.lower_mg_per_l), None if upper is None else float(upper), point.method
    )


def _forecast_out(container: Container, outlook: Outlook) -> dict[str, Any]:
    told = outlook.forecast
    return {
        "container": {"id": str(container.pk), "code": container.code},
        "code": told.code,
        "words": told.words,
        "on": told.on,
        "level_mg_per_l": _digits(outlook.level_mg_per_l),
        "policy_due_on": container.policy_due,
        "next_test_due_on": container.next_test_due,
        "points": [_point_out(test) for test in outlook.tests],
        "growth": None if told.growth is None else _growth_out(told.growth),
        "band": [_band_out(point) for point in told.band],
        "cautions": list(told.cautions),
    }


def _point_out(test: Tested) -> dict[str, Any]:
    point = point_of(test)
    upper = point.upper_mg_per_l
    return {
        "test": str(test.id),
        "tested_on": point.day,
        "lower_mg_per_l": _digits(point.lower_mg_per_l),
        "upper_mg_per_l": None if upper is None else _digits(upper),
        "method": point.method,
    }


def _growth_out(growth: Growth) -> dict[str, Any]:
    high = None if growth.high is None else _digits(growth.high)
    return {"factor": _digits(growth.factor), "low": _digits(growth.low), "high": high}


def _band_out(point: BandPoint) -> dict[str, Any]:
    return {
        "on": point.day,
        "low_mg_per_l": _digits(point.low_mg_per_l),
        "line_mg_per_l": _digits(point.line_mg_per_l),
        "high_mg_per_l": _digits(point.high_mg_per_l),
    }


def _digits(value: float | Decimal) -> str:
    """To a thousandth, as readings are kept."""
    return f"{value:.3f}"
