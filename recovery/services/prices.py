"""What solvent costs a lab, and what it costs to have a litre of waste taken away: the newest word counts."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal, InvalidOperation

from django.db import transaction

from inventory.models import Lab, Solvent, User
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.services.containers import day_in_lab
from inventory.services.events import record
from recovery.models import SolventPrice

PRICE_MOST = Decimal(10_000_000)
STEP = Decimal("0.0001")


def price_put(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    solvent: Solvent,
    per_litre: Decimal,
    currency: str,
    waste_per_litre: Decimal | None = None,
    since_on: date | None = None,
    note: str = "",
) -> SolventPrice:
    """Say what a litre costs from a day on, today unless told; a later word for the same day takes its place.

    Raises InputError for a price below zero or finer than a hundredth of a cent, or a bad currency code.
    """
    if len(currency) != 3 or not (currency.isascii() and currency.isalpha() and currency.isupper()):
        words = Phrase("A currency is three capitals, as in ISO 4217.")
        raise InputError("currency", "bad-currency", words, Phrase("Send for example EUR."))
    with transaction.atomic():
        row = SolventPrice.objects.create(
            lab=lab,
            solvent=solvent,
            since_on=since_on or day_in_lab(lab, now),
            per_litre=_price(per_litre, "per_litre"),
            waste_per_litre=None if waste_per_litre is None else _price(waste_per_litre, "waste_per_litre"),
            currency=currency,
            note=note,
            actor=actor,
            recorded_at=now,
        )
        data = {"solvent": solvent.key, "per_litre": str(row.per_litre), "currency": currency}
        record(lab=lab, actor=actor, now=now, verb="solvent-price-set", subject=row, data=data)
    return row


def price_read(text: str, field: str) -> Decimal:
    """A plain decimal number as written. Raises InputError."""
    try:
        if not text.isascii() or len(text) > 20 or set(text) - set("0123456789."):
            raise InvalidOperation
        return Decimal(text)
    except InvalidOperation as error:
        words = Phrase("A price is a number without sign or currency.")
        raise InputError(field, "not-a-number", words, Phrase('Send for example "38.50".')) from error


def _price(value: Decimal, field: str) -> Decimal:
    if not 0 <= value <= PRICE_MOST or value != value.quantize(STEP):
        words = Phrase("A price is 0 to {price_most}, to four decimals at most.", price_most=PRICE_MOST)
        raise InputError(field, "out-of-range", words, Phrase("Check the number."))
    return value
