"""Every address of the server."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("inventory.web.urls")),
    path("", include("recovery.web.urls")),
]

handler400 = "deploy.errors.bad_request"
handler403 = "deploy.errors.denied"
handler404 = "deploy.errors.not_found"
handler500 = "deploy.errors.unexpected"
