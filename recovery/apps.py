"""Runs, recovery and losses as an app."""

from django.apps import AppConfig


class RecoveryConfig(AppConfig):
    name = "recovery"
