"""What others may want to know of a run: closed, opened again, another kind now; and of its apparatus."""

from __future__ import annotations

from django.dispatch import Signal

# Sent inside the transaction, after the sums are written, with lab, run, now and why: "closed", "reopened"
# or "changed". A receiver that fails undoes the booking.
settled = Signal()

# Sent inside the transaction in which something was written down of an apparatus, or taken back: with lab,
# apparatus and now. A repair begins a new baseline of its losses.
recorded = Signal()
