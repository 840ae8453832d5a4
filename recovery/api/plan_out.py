"""A plan as plain values, the same as an answer and as what a draft run keeps."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import orjson

from inventory.api.quantities import volume_out
from inventory.api.replies import dumps
from inventory.api.rows import decimal_text, solvent_ref
from inventory.models import Lab
from inventory.rules.cautions import CAUTIONS
from inventory.rules.levels import LEVEL_WORDS
from recovery.api.calc_extraction import extraction_out
from recovery.api.calc_vapour import check_out
from recovery.api.plan_ask import Planned
from recovery.api.rows_predicted import predicted_out
from recovery.rules.plan_words import LIMIT_PASSED, NOT_A_CLEARANCE, only_next_due
from recovery.rules.stock_choice import Bottle, Choice, Take
from recovery.rules.vapour_check import CAUTIONS as VAPOUR_CAUTIONS
from recovery.services.heel import is_former
from recovery.services.plans import BOTTLES_MAX, Plan

FORMER = ("never-to-dryness", "leave-the-heel", "goggles-and-shield", "tests-miss-some")
ALWAYS = ("local-code", "no-ignition-sources", "licensed-disposal")


def plan_out(found: Planned, lab: Lab, today: date) -> dict[str, Any]:
    """The plan as `PlanShape` tells; dates as text, so that a draft can keep it."""
    plan = found.plan
    solvent = plan.of.solvent
    return {
        "on": today.isoformat(),
        "solvent": solvent_ref(solvent.pk, solvent.key, solvent.name),
        "distils": plan.of.distils,
        "extraction": plan.extraction and extraction_out(plan.extraction, found.assumed),
        "stock": stock_out(plan.choice),
        "heel": {
            "volume": volume_out(plan.heel_ul),
            "percent": decimal_text(plan.heel_percent),
            "source": plan.heel_source,
        },
        "predicted": predicted_out(plan.prediction, plan.fit),
        "back": volume_out(plan.back_ul, plan.u_back_ul),
        "vapour": check_out(plan.vapour, plan.properties),
        "spill": check_out(plan.spill, plan.properties),
        "assumptions": _assumptions(plan),
        "cautions": _cautions(plan),
        "emergency": {"words": lab.emergency_text, "contact": lab.contact},
    }


def _assumptions(plan: Plan) -> list[str]:
    said = [*plan.assumptions, *plan.vapour.assumptions]
    if plan.truncated:
        said.append(only_next_due(BOTTLES_MAX))
    return list(dict.fromkeys(said))


def _cautions(plan: Plan) -> list[dict[str, str]]:
    """Those of the house first, then those of this plan."""
    codes = [*(FORMER if plan.of.distils and is_former(plan.of.solvent) else ()), *ALWAYS]
    own: dict[str, str] = {"plan-clears-nothing": NOT_A_CLEARANCE}
    own |= {f"vapour-{number}": words for number, words in enumerate(VAPOUR_CAUTIONS, 1)}
    if plan.vapour.over or plan.spill.over:
        own["vapour-over"] = LIMIT_PASSED
    return [{"code": code, "words": words} for code, words in ((c, CAUTIONS[c]) for c in codes)] + [
        {"code": code, "words": words} for code, words in own.items()
    ]


def stock_out(choice: Choice) -> dict[str, Any]:
    return {
        "needed": volume_out(choice.needed_ul),
        "fit": volume_out(choice.fit_ul),
        "fit_fresh": volume_out(choice.fit_fresh_ul),
        "fit_recovered": volume_out(choice.fit_recovered_ul),
        "fit_not_shown": volume_out(choice.not_shown_ul),
        "enough": choice.missing_ul == 0,
        "missing": volume_out(choice.missing_ul),
        "take": [take_out(take) for take in choice.takes],
        "after_test": [bottle_out(bottle) for bottle in choice.after_test],
        "not_fit": [bottle_out(bottle) for bottle in choice.not_fit],
    }


def take_out(take: Take) -> dict[str, Any]:
    return {**bottle_out(take.bottle), "volume": volume_out(take.volume_ul)}


def bottle_out(bottle: Bottle) -> dict[str, Any]:
    return {
        "container": {"id": str(bottle.container_id), "code": bottle.code},
        "held": volume_out(bottle.volume_ul),
        "recovered": bottle.recovered,
        "times_distilled": bottle.times_distilled,
        "ends_on": bottle.ends_on and bottle.ends_on.isoformat(),
        "level": bottle.level,
        "words": LEVEL_WORDS[bottle.level],
        "advice": bottle.advice,
        "quality": bottle.quality or None,
        "against": [{"code": c, "words": w, "source": s} for c, w, s in bottle.against],
    }


def plain_json(value: Any) -> Any:
    """What was asked and planned as a database keeps it: decimals and instants as text."""
    if isinstance(value, Mapping):
        return {str(key): plain_json(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain_json(inner) for inner in value]
    if isinstance(value, datetime):
        return orjson.loads(dumps(value))
    return format(value, "f") if isinstance(value, Decimal) else value
