"""The front pages, which show stock and recovery together."""

from __future__ import annotations

from django.urls import path

from recovery.web import home

urlpatterns = [
    path("", home.home, name="home"),
    path("labs/<slug:slug>/", home.lab, name="lab"),
]
