"""The wiring as an app, so that its commands are found."""

from django.apps import AppConfig


class DeployConfig(AppConfig):
    name = "deploy"
