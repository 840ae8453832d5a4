"""The pages that show stock and recovery together."""

from __future__ import annotations

from django.urls import path

from recovery.web import container, home, runs

urlpatterns = [
    path("", home.home, name="home"),
    path("labs/<slug:slug>/", home.lab, name="lab"),
    path("labs/<slug:slug>/containers/<str:code>/", container.container, name="container"),
    path("labs/<slug:slug>/containers/<str:code>/<slug:deed>/", container.deed, name="deed"),
    path("labs/<slug:slug>/runs/", runs.runs_page, name="runs"),
    path("labs/<slug:slug>/runs/start/", runs.start, name="run-start"),
    path("labs/<slug:slug>/runs/<str:run>/", runs.run, name="run"),
    path("labs/<slug:slug>/runs/<str:run>/close/", runs.close, name="run-close"),
]
