"""What others may want to know of a run: it was closed, opened again, or is another kind now."""

from __future__ import annotations

from django.dispatch import Signal

# Sent inside the transaction, after the sums are written, with lab, run, now and why: "closed", "reopened"
# or "changed". A receiver that fails undoes the booking.
settled = Signal()
