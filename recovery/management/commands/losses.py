"""`manage.py losses`: the recovery ledger: charged, returned, lost, and the rate."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inventory.management.base import add_lab, lab_named
from inventory.models import Lab
from inventory.rules.errors import InputError
from inventory.rules.text_table import millilitres, percent, text_table
from inventory.services.containers import day_in_lab
from recovery.rules.loss_words import day_words, percent_words
from recovery.rules.rates import Rate
from recovery.selectors.loss_series import OddRun, odd_runs, standing_words
from recovery.selectors.losses import GROUPS, LossRate, loss_rates

NUMBERS = ["runs", "nothing back", "charged mL", "returned mL", "lost mL", "loss", "between"]
ODD_SHOWN = 10


def losses_text(lab: Lab, by: Sequence[str]) -> str:
    """Loss rates of closed runs as a table, or a line that says there are none."""
    rates = loss_rates(lab=lab, by=by)
    if not rates:
        return "No run has been closed yet."
    first, last = len(by), len(by) + len(NUMBERS)
    return text_table([*by, *NUMBERS], [_cells(rate) for rate in rates], right=range(first, last))


def _cells(rate: LossRate) -> list[object]:
    group = [f"{value:%Y-%m}" if name == "month" else value or "–" for name, value in rate.group.items()]
    return [
        *group,
        rate.runs,
        rate.runs_without_return,
        millilitres(rate.charged_ul),
        millilitres(rate.returned_ul),
        millilitres(rate.lost_ul),
        percent(rate.loss_fraction),
        between_words(rate.rate),
    ]


def between_words(rate: Rate) -> str:
    """The interval in whole percents, or why there is none."""
    if rate.lower is None or rate.upper is None:
        return {"too-few-runs": "too few runs"}.get(rate.why, "–")
    return f"{rate.lower * 100:.0f} to {rate.upper * 100:.0f} %"


def signals_text(lab: Lab, now: datetime) -> str:
    """Lasting changes, then single runs out of line; says so where there is neither."""
    today = day_in_lab(lab, now)
    lines = [f"! {words}" for words in standing_words(lab=lab)] or ["No series shows a lasting change."]
    odd = odd_runs(lab=lab, today=today)
    lines += [_odd_words(one, today) for one in odd[-ODD_SHOWN:]]
    if len(odd) > ODD_SHOWN:
        lines.append(f"  and {len(odd) - ODD_SHOWN} earlier ones")
    return "\n".join(lines)


def _odd_words(one: OddRun, today: date) -> str:
    lost = percent_words(one.run.point.fraction)
    usual = percent_words(one.run.point.centre)
    return (
        f"  {one.solvent}, run {one.run.run} of {day_words(one.run.started_on, today)}: {lost} lost, "
        f"{usual} at first; beyond 3 sigma (Western Electric 1956)"
    )


def _as_json(rate: LossRate) -> dict[str, Any]:
    row = {**rate.group, **{n: getattr(rate, n) for n in rate.__slots__ if n not in {"group", "rate"}}}
    said = {"lower": rate.rate.lower, "upper": rate.rate.upper, "words": rate.rate.words}
    return row | {"loss_fraction": rate.loss_fraction} | said


class Command(BaseCommand):
    help = "Loss rates of closed runs: sum of losses over sum charged."

    def add_arguments(self, parser: ArgumentParser) -> None:
        add_lab(parser)
        parser.add_argument(
            "--by",
            action="append",
            choices=list(GROUPS),
            help="may be repeated (solvent)",
        )
        parser.add_argument("--json", action="store_true", help="one JSON object a line")

    def handle(self, *_args: Any, **options: Any) -> None:
        lab, by = lab_named(options["lab"]), options["by"] or ["solvent"]
        try:
            if not options["json"]:
                self.stdout.write(losses_text(lab, by))
                self.stdout.write("\n" + signals_text(lab, timezone.now()))
                return
            for rate in loss_rates(lab=lab, by=by):
                self.stdout.write(json.dumps(_as_json(rate), default=str))
        except InputError as error:
            raise CommandError(str(error), returncode=2) from error
