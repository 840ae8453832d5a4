"""Pictures over the API: SVG unless PNG is asked for, under a policy of their own, with an entity tag."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import HttpResponse
from rest_framework.renderers import BaseRenderer

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.negotiation import ByAccept
from inventory.api.params import Param
from inventory.api.replies import tagged
from inventory.rules.pictures.style import SCALE_MAX, THEMES, WIDTHS, Kind, Look
from inventory.rules.shown_units import UNITS
from inventory.selectors.drawn_sizes import note_size
from inventory.services.speaking import SPOKEN, speaker

# Opened by itself, a picture runs nothing, loads nothing and sends nothing.
POLICY = "default-src 'none'; frame-ancestors 'none'; sandbox"
LOOK = ("theme", "width", "scale", "format", "language", "unit")
LOOK_PARAMS: tuple[Param, ...] = (
    params.choice("theme", THEMES, "Colours for a light or a dark page; light when left out."),
    params.choice("width", WIDTHS, "small: 360 px, for a phone; large: 900 px, which it is when left out."),
    params.number("scale", "Pixels of a PNG for each px; 2 when left out.", least=1, most=SCALE_MAX),
    params.choice("format", ("svg", "png"), "As the Accept header, for images and links."),
    params.choice("language", SPOKEN, "Of the words that are not data; en when left out."),
    params.choice("unit", list(UNITS), "In which volumes are drawn; what suits their size when left out."),
)
WORDS = (
    "SVG, or PNG when `Accept` or `format` asks for it. The words in it are text, and it has a title and a "
    "description for those who cannot see it. The same data in the same language give the same bytes."
)


class SvgRenderer(BaseRenderer):
    media_type = "image/svg+xml"
    format = "svg"


class PngRenderer(BaseRenderer):
    media_type = "image/png"
    format = "png"


def picture_of(permission: str, summary: str, *more: Param, words: str = "") -> Contract:
    """The contract of a picture. more: parameters beside those of its look."""
    return Contract(
        permission, None, summary, params=(*more, *LOOK_PARAMS), tagged=True,
        media=(SvgRenderer.media_type, PngRenderer.media_type), words=f"{words} {WORDS}".strip(),
    )  # fmt: skip


class PictureView(LabView):
    """A view that answers with one picture."""

    renderer_classes: Any = [SvgRenderer, PngRenderer]
    content_negotiation_class = ByAccept

    @property
    def asked(self) -> dict[str, Any]:
        """The parameters given, without those of the look."""
        return {name: value for name, value in self.query.items() if name not in LOOK}

    def picture(self, draw: Callable[[Look], bytes]) -> HttpResponse:
        """What `draw` makes of the look that is asked for."""
        given = self.query
        kind: Kind = "png" if self.request.accepted_media_type == PngRenderer.media_type else "svg"
        say = speaker(given.get("language", SPOKEN[0]))
        look = Look(
            given.get("theme", "light"), given.get("width", "large"), kind, given.get("scale", 2), say,
            given.get("unit", ""),
        )  # fmt: skip
        content = draw(look)
        note_size(self.request.get_full_path(), look.width, content)
        response = tagged(self.request._request, content, self.request.accepted_media_type or "")
        response["Content-Security-Policy"] = POLICY
        response["Vary"] = "Accept"
        return response
