"""Under which address this place is reached, for links that leave it."""

from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest


def site_of(request: HttpRequest) -> str:
    """The public address that was set; else the one that was asked for, which is one of our own names."""
    if settings.STILLKEEP_SITE_URL_GIVEN:
        return str(settings.STILLKEEP_SITE_URL)
    return f"{request.scheme}://{request.get_host()}"
