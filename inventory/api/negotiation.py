"""What a caller sends and takes: JSON, and nothing guessed; other kinds where an address offers them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from rest_framework import exceptions
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request

from inventory.api.problems import MEDIA_TYPE

ACCEPT_MAX = 2000


class OnlyJson(BaseContentNegotiation):
    """One representation: a caller who takes no JSON gets 406."""

    def select_parser(self, request: Request, parsers: Any) -> BaseParser | None:
        sent = request.content_type.partition(";")[0].strip().lower()
        return next((parser for parser in parsers if parser.media_type == sent), None)

    def select_renderer(
        self, request: Request, renderers: Any, format_suffix: str | None = None
    ) -> tuple[BaseRenderer, str]:
        accept = request.headers.get("Accept", "")
        if accept and "*/*" not in accept and not _takes_json(accept):
            raise exceptions.NotAcceptable("The answers here are application/json.")
        return renderers[0], "application/json"


class ByAccept(OnlyJson):
    """Several representations, those of the view's renderers, the first one where the caller does not mind.

    `?format=` names one by its short name, for links and images, which cannot send a header; a name that is
    not offered is left to the reading of the parameters, which refuses it. Else the Accept header decides
    (RFC 9110, 12.5.1): the greatest weight wins, and of equal weights the first one offered.
    """

    def select_renderer(
        self, request: Request, renderers: Any, format_suffix: str | None = None
    ) -> tuple[BaseRenderer, str]:
        asked = request.query_params.get("format", "")
        named = next((renderer for renderer in renderers if renderer.format == asked), None)
        if named is not None:
            return named, named.media_type
        accept = request.headers.get("Accept", "")[:ACCEPT_MAX] or "*/*"
        chosen = max(renderers, key=lambda renderer: weight_of(accept, renderer.media_type))
        if weight_of(accept, chosen.media_type) <= 0:
            offered = ", ".join(renderer.media_type for renderer in renderers)
            raise exceptions.NotAcceptable(f"The answers here are {offered}.")
        return chosen, chosen.media_type


def weight_of(accept: str, media_type: str) -> float:
    """The weight that an Accept header gives a media type, 0 to 1: that of the range that fits it best."""
    kind = media_type.partition("/")[0]
    precision = {media_type: 3, f"{kind}/*": 2, "*/*": 1}
    fitting = [(precision[name], q) for name, q in _ranges(accept) if name in precision]
    return max(fitting, default=(0, 0.0))[1]


def _ranges(accept: str) -> Iterator[tuple[str, float]]:
    for part in accept.split(","):
        name, *parameters = (piece.strip().lower() for piece in part.split(";"))
        yield name, _quality(parameters)


def _quality(parameters: Sequence[str]) -> float:
    """One without a weight counts 1; one whose weight cannot be read counts 0."""
    for parameter in parameters:
        if parameter.startswith("q="):
            try:
                return min(max(float(parameter[2:]), 0.0), 1.0)
            except ValueError:
                return 0.0
    return 1.0


def _takes_json(accept: str) -> bool:
    offered = {"application/*", "application/json", MEDIA_TYPE}
    return any(part.partition(";")[0].strip().lower() in offered for part in accept.split(","))
