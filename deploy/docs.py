"""The page that shows the API, all from this server and without any script of its own in the page."""

from __future__ import annotations

from drf_spectacular.views import SpectacularSwaggerSplitView


class DocsView(SpectacularSwaggerSplitView):
    """Swagger UI; its script and styles are files, so the strict policy holds."""

    url_name = "api-schema"
    template_name = "deploy/api_docs.html"
    authentication_classes: list[type] = []
    permission_classes: list[type] = []
