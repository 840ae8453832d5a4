"""Pages of the inventory: the ways in."""

from __future__ import annotations

from django.contrib.auth.views import LogoutView
from django.urls import path

from inventory.web import entry, invitations, labels, language, more, receiving, scan, shelf, signing_in
from inventory.web.steward_urls import urlpatterns as steward_pages
from inventory.web.stock_urls import urlpatterns as stock_pages

urlpatterns = [
    path("login/", signing_in.SignIn.as_view(), name="login"),
    path("logout/", LogoutView.as_view(next_page="login"), name="logout"),
    path("language/", language.choose, name="language"),
    path("enter/<str:secret>/", entry.enter, name="enter"),
    path("labs/<slug:slug>/invite/", invitations.invite, name="invite"),
    path("labs/<slug:slug>/labels/", labels.labels, name="labels"),
    path("labs/<slug:slug>/labels.pdf", labels.labels_file, name="labels-file"),
    path("labs/<slug:slug>/more/", more.more, name="more"),
    path("labs/<slug:slug>/receive/", receiving.receive_page, name="receive"),
    path("labs/<slug:slug>/scan/", scan.scan, name="scan"),
    path("labs/<slug:slug>/shelf/", shelf.shelf, name="shelf"),
    path("labs/<slug:slug>/shelf.csv", shelf.shelf_csv, name="shelf-csv"),
    *steward_pages,
    *stock_pages,
]
