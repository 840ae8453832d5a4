"""Pages of the inventory: the ways in."""

from __future__ import annotations

from django.contrib.auth.views import LogoutView
from django.urls import path

from inventory.web import entry, invitations, signing_in

urlpatterns = [
    path("login/", signing_in.SignIn.as_view(), name="login"),
    path("logout/", LogoutView.as_view(next_page="login"), name="logout"),
    path("enter/<str:secret>/", entry.enter, name="enter"),
    path("labs/<slug:slug>/invite/", invitations.invite, name="invite"),
]
