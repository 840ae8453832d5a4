"""The frame of every calculator: one class says what it takes, what it gives, and where its formula is from.

They keep nothing but the answer to its key, so anybody who is signed in may ask, in any lab or none.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, ClassVar

from django.http import HttpResponse
from django.urls import URLPattern, path
from rest_framework import serializers

from inventory.api.base import ApiView, Contract, as_view
from inventory.api.fields import Body
from inventory.api.idempotency import Done
from inventory.api.shapes import Shape, Words, text

ROOT = "calculators/"
_registered: dict[str, type[Calculator]] = {}
#: name in the address → calculator, of all that have been made
CALCULATORS: Mapping[str, type[Calculator]] = MappingProxyType(_registered)


class Calculator(ApiView):
    """A calculator. Its docstring is what people read about it; making the class registers it.

    name: last part of its address. formula, sources: shown in the list and, where it gives them, the answer.
    """

    name: ClassVar[str] = ""
    summary: ClassVar[str] = ""
    words: ClassVar[str] = ""
    ask: ClassVar[type[Body]]
    answer: ClassVar[type[serializers.BaseSerializer[Any]]]
    formula: ClassVar[str] = ""
    sources: ClassVar[tuple[str, ...]] = ()

    def __init_subclass__(cls, **options: Any) -> None:
        super().__init_subclass__(**options)
        words = " ".join(part for part in ("Nothing is kept but the answer to its key.", cls.words) if part)
        cls.contracts = {"POST": Contract("", cls.answer, cls.summary, body=cls.ask, status=201, words=words)}
        _registered[cls.name] = cls

    def post(self, request: Any) -> HttpResponse:
        return self.write(lambda data: Done(self.work(data)))

    def work(self, data: Any) -> dict[str, Any]:
        """The answer as JSON values, from a body that `ask` has read. Raises InputError."""
        raise TypeError(f"{type(self).__name__} works nothing out")


def at_calculator(view: type[Calculator]) -> URLPattern:
    """The address of a calculator, to be listed among an app's addresses."""
    return path(f"{ROOT}{view.name}/", as_view(view), name=f"api-{view.__name__.lower()}")


class CalculatorRefShape(Shape):
    name = text()
    address = text()
    summary = text()
    formula = text()
    sources = Words()


class CalculatorsShape(Shape):
    results = CalculatorRefShape(many=True)


class Calculators(ApiView):
    """What can be worked out here."""

    contracts = {"GET": Contract("", CalculatorsShape, "The calculators")}

    def get(self, request: Any) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        rows = [
            {
                "name": name,
                "address": f"{request.path}{name}/",
                "summary": view.summary,
                "formula": view.formula,
                "sources": list(view.sources),
            }
            for name, view in sorted(CALCULATORS.items())
        ]
        return self.listing({"results": rows})
