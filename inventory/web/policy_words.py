"""The rows of a retest policy in words: when a test falls due, what a reading comes to, what is seen."""

from __future__ import annotations

from collections.abc import Iterable

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from inventory.rules.levels import LEVEL_WORDS, USE_WORDS
from inventory.rules.policy_rows import Distilling, HandlingRow, Interval, LevelRow, Rule
from inventory.templatetags.amounts import sign

ORIGINS = {
    "purchased": gettext_lazy("bought"),
    "made-here": gettext_lazy("made here"),
    "recovered": gettext_lazy("distilled back here"),
    "blend": gettext_lazy("poured together"),
}
COUNTS_FROM = {
    "opened": gettext_lazy("opening"),
    "received": gettext_lazy("receipt"),
    "made": gettext_lazy("the day it was distilled or made here"),
    "test": gettext_lazy("a passed test"),
}
CLOSURES = {
    "plastic-screw": gettext_lazy("plastic screw cap"),
    "metal-screw": gettext_lazy("metal screw cap"),
    "glass-stopper": gettext_lazy("glass stopper"),
    "septum": gettext_lazy("septum"),
    "other": gettext_lazy("another closure"),
}
ENDS_IN = {"test": gettext_lazy("a test"), "dispose": gettext_lazy("disposal, whatever a test says")}
AIR = {"inert": gettext_lazy("under inert gas"), "air": gettext_lazy("under air")}


def level_words(level: str) -> str:
    return _(LEVEL_WORDS[level])  # type: ignore[index]


def interval_words(interval: Interval) -> str:
    """As "3 months"; of none: on the same day."""
    count = interval.count
    if not count:
        return _("on the same day")
    words = {
        "months": ngettext("%(n)d month", "%(n)d months", count),
        "days": ngettext("%(n)d day", "%(n)d days", count),
        "hours": ngettext("%(n)d hour", "%(n)d hours", count),
    }[interval.unit]
    return words % {"n": count}


def rule_words(row: Rule) -> tuple[str, str]:
    """Which containers, and what follows."""
    when = [_("class %(letter)s") % {"letter": row.peroxide_class}]
    when += _yes_no(row.opened, _("opened"), _("not opened"))
    when += _yes_no(row.inhibited, _("with inhibitor"), _("without inhibitor"))
    when += [" / ".join(str(ORIGINS[name]) for name in sorted(row.origins))] if row.origins else []
    when += [str(AIR[row.atmosphere])] if row.atmosphere else []
    told = {"interval": interval_words(row.interval), "start": COUNTS_FROM[row.counts_from]}
    then = _("%(interval)s after %(start)s") % told if row.interval.count else told["interval"]
    end = _("test") if row.ends_in == "test" else _("dispose of it, whatever a test says")
    return ", ".join(when), f"{then}: {end}"


def _yes_no(flag: bool | None, yes: str, no: str) -> list[str]:
    return [] if flag is None else [yes if flag else no]


def reading_words(row: LevelRow) -> tuple[str, str]:
    """Which readings, and what they come to."""
    unit = "mg/L" if row.unit == "mg/L" else _("ppm by mass")
    when = {
        "from": _("%(amount)s %(unit)s or more"),
        "above": _("more than %(amount)s %(unit)s"),
        "detected": _("any at all, or a method not known"),
    }[row.edge]
    told = {"amount": row.amount, "unit": unit}
    return (when if row.edge == "detected" else when % told), level_words(row.then) + _for(row.uses)


def _for(uses: Iterable[str] | None) -> str:
    if not uses:
        return ""
    words = ", ".join(_(USE_WORDS[use]) for use in sorted(uses))  # type: ignore[index]
    return " (" + _("for: %(uses)s") % {"uses": words} + ")"


def handling_words(row: HandlingRow) -> tuple[str, str]:
    """What is seen and known, and what it comes to."""
    when = []
    if row.classes:
        letters = " / ".join(_("no former") if name == "none" else name for name in sorted(row.classes))
        when.append(_("class %(letter)s") % {"letter": letters})
    when += _yes_no(row.opened, _("opened"), _("not opened"))
    when += _yes_no(row.inhibited, _("with inhibitor"), _("without inhibitor"))
    when += [" / ".join(sign(name) for name in sorted(row.signs))] if row.signs else []
    when += [" / ".join(str(CLOSURES[name]) for name in sorted(row.closures))] if row.closures else []
    when += [_("age not known")] if row.age_unknown else []
    when += [_("origin not known")] if row.origin_unknown else []
    months = row.expired_more_than_months
    if months == 0:
        when.append(_("past the maker's date"))
    elif months is not None:
        words = ngettext("%(n)d month past the maker's date", "%(n)d months past the maker's date", months)
        when.append(words % {"n": months})
    return ", ".join(when), level_words(row.then) + _for(row.uses)


def terms_words(terms: Distilling, expiry_ends_in: str) -> list[tuple[str, str, str]]:
    """What, how much, source: of the terms that are not rows."""
    ours = _("not stated: the house's own value holds")
    heel = "20 %" if terms.heel_percent is None else f"{terms.heel_percent.normalize():f} %"
    days = 1 if terms.test_age_max_days is None else terms.test_age_max_days
    age = ngettext("%(n)d day", "%(n)d days", days) % {"n": days}
    return [
        (_("Left in the still, of what was charged"), heel, terms.heel_source or ours),
        (_("Oldest test that clears a distillation"), age, terms.test_age_source or ours),
        (_("The maker's expiry ends in"), str(ENDS_IN[expiry_ends_in]), ""),
    ]
