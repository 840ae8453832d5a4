"""Telling people and programs: rows first, sent second, repeated with the same id until they are through.

`planning` and `digests` make the rows, `outbox` claims and sends them, `mail` and `posting` are the ways out.
"""

from inventory.services.delivery.planning import plan_deliveries

__all__ = ["plan_deliveries"]
