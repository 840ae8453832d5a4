"""Every address of the server."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

from deploy.docs import DocsView
from deploy.health import healthz, readyz
from inventory.api.base import as_view
from inventory.api.map import ApiMap
from inventory.api.schema import schema_view

urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", healthz, name="healthz"),
    path("readyz", readyz, name="readyz"),
    path("api/schema/", schema_view, name="api-schema"),
    path("api/docs/", DocsView.as_view(), name="api-docs"),
    path("api/", as_view(ApiMap), name="api"),
    path("api/v1/", as_view(ApiMap), name="api-v1"),
    path("api/v1/", include("inventory.api.urls")),
    path("api/v1/", include("recovery.api.urls")),
    path("feeds/", include("inventory.api.public_feeds")),
    path("", include("inventory.web.urls")),
    path("", include("inventory.web.account_urls")),
    path("", include("recovery.web.urls")),
]

handler400 = "deploy.errors.bad_request"
handler403 = "deploy.errors.denied"
handler404 = "deploy.errors.not_found"
handler500 = "deploy.errors.unexpected"
