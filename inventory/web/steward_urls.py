"""Pages about people and running: who is in the lab, what goes out, what happened, how the server does."""

from __future__ import annotations

from django.urls import path

from inventory.web import (
    alert_settings,
    alerts,
    deliveries,
    feeds,
    lab_settings,
    list_csv,
    people,
    running,
    tokens,
    trail,
    webhooks,
)

LAB = "labs/<slug:slug>/"
urlpatterns = [
    path(f"{LAB}alerts/", alerts.alerts, name="alerts"),
    path(f"{LAB}alerts.csv", alerts.alerts_csv, name="alerts-csv"),
    path(f"{LAB}alerts/<str:alert>/", alerts.alert, name="alert"),
    path(f"{LAB}alert-settings/", alert_settings.alert_settings, name="alert-settings"),
    path(f"{LAB}deliveries/", deliveries.deliveries, name="deliveries"),
    path(f"{LAB}deliveries.csv", deliveries.deliveries_csv, name="deliveries-csv"),
    path(f"{LAB}failed-jobs/", running.failed_jobs_page, name="failed-jobs"),
    path(f"{LAB}failed-jobs.csv", running.failed_jobs_csv, name="failed-jobs-csv"),
    path(f"{LAB}feeds/", feeds.feeds, name="feeds"),
    path(f"{LAB}feeds.csv", list_csv.feeds_csv, name="feeds-csv"),
    path(f"{LAB}settings/", lab_settings.lab_settings, name="lab-settings"),
    path(f"{LAB}people/", people.people, name="people"),
    path(f"{LAB}people.csv", people.people_csv, name="people-csv"),
    path(f"{LAB}people/<str:person>/", people.person, name="person"),
    path(f"{LAB}status/", running.status, name="status"),
    path(f"{LAB}tokens/", tokens.tokens, name="tokens"),
    path(f"{LAB}tokens.csv", list_csv.tokens_csv, name="tokens-csv"),
    path(f"{LAB}trail/", trail.trail, name="trail"),
    path(f"{LAB}trail.csv", trail.trail_csv, name="trail-csv"),
    path(f"{LAB}webhooks/", webhooks.webhooks, name="webhooks"),
    path(f"{LAB}webhooks.csv", list_csv.webhooks_csv, name="webhooks-csv"),
    path(f"{LAB}webhooks/<str:webhook>/", webhooks.change, name="webhook-change"),
]
