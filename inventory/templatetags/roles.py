"""Roles as people read them."""

from __future__ import annotations

from django import template

from inventory.web.forms import role_name

register = template.Library()
register.filter("role", role_name)
