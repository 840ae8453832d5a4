"""What a caller sends and takes: JSON, and nothing guessed."""

from __future__ import annotations

from typing import Any

from rest_framework import exceptions
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.parsers import BaseParser
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request

from inventory.api.problems import MEDIA_TYPE


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


def _takes_json(accept: str) -> bool:
    offered = {"application/*", "application/json", MEDIA_TYPE}
    return any(part.partition(";")[0].strip().lower() in offered for part in accept.split(","))
