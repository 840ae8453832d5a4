"""What a chart of losses says, in words for people who do not read charts."""

from __future__ import annotations

from datetime import date

from recovery.rules.rates import RUNS_LEAST, Rate

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
WHAT_A_POINT_IS = (
    "Each run is one point, whatever it was charged with: what was lost of it as a fraction of what was "
    "charged. Rates before and since are sums: all that was lost over all that was charged."
)
ASSUMED = (
    "Limits come from the first runs and are frozen. They assume runs that scatter alike and know nothing of "
    "each other. The run rules and the CUSUM, as published, also assume that centre and spread are known, so "
    "from a short baseline they speak up more often than they should. Only the EWMA, with limits widened "
    "for that, opens an alert."
)
NOT_TOLD = "It says that more is lost, not where: look at joints, condenser and cooling water."

# Why a signal ended: in words, and the word that its alert keeps.
ENDED_WORDS = {
    "in-control": "The runs are as before.",
    "repaired": "A repair was recorded.",
    "changed": "A change of the apparatus was recorded.",
    "corrected": "The runs behind it were corrected.",
    "one-apparatus": "All its runs were done in one apparatus, which has a signal of its own.",
}
CURES = {
    ENDED_WORDS["in-control"]: "runs as before",
    ENDED_WORDS["repaired"]: "repaired",
    ENDED_WORDS["changed"]: "changed",
    ENDED_WORDS["corrected"]: "runs corrected",
    ENDED_WORDS["one-apparatus"]: "told of the apparatus",
}


def day_words(day: date, today: date) -> str:
    """14 May, or 14 May 2025 when that was in another year."""
    said = f"{day.day} {MONTHS[day.month - 1]}"
    return said if day.year == today.year else f"{said} {day.year}"


def percent_words(fraction: float | None) -> str:
    """31 %: whole percents, as a loss rate is not known better from a few runs."""
    return "no rate" if fraction is None else f"{round(fraction * 100)} %"


def runs_words(runs: int) -> str:
    return "1 run" if runs == 1 else f"{runs} runs"


def signal_words(
    name: str, *, more: bool, since: date, today: date, before: Rate, after: Rate, stands: bool = True
) -> str:
    """Still 2 loses more since 14 May: 31 % against 22 % before, 9 runs."""
    verb = ("loses" if stands else "lost") + (" more" if more else " less")
    said = (
        f"{name} {verb} since {day_words(since, today)}: {percent_words(after.fraction)} against "
        f"{percent_words(before.fraction)} before, {runs_words(after.runs)}."
    )
    return said + (" Few runs yet: the size of it is not known well." if after.runs < RUNS_LEAST else "")


def quiet_words(name: str, *, runs: int, missing: int, after_reset: bool) -> str:
    """What is said when no signal stands."""
    if missing and after_reset:
        return f"{name}: a new baseline needs {runs_words(missing)} more; until then little can be said."
    if missing:
        return (
            f"{name}: {runs_words(runs)} so far; a chart needs {runs_words(missing)} more for its baseline."
        )
    return f"{name}: no lasting change in {runs_words(runs)}."
