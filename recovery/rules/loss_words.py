"""What a chart of losses says, in words for people who do not read charts."""

from __future__ import annotations

import re
from datetime import date

from inventory.rules.phrases import NamedDay, Phrase
from recovery.rules.rates import RUNS_LEAST, Rate

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
WHAT_A_POINT_IS = Phrase(
    "Each run is one point, whatever it was charged with: what was lost of it as a fraction of what was "
    "charged. Rates before and since are sums: all that was lost over all that was charged."
)
ASSUMED = Phrase(
    "Limits come from the first runs and are frozen. They assume runs that scatter alike and know nothing of "
    "each other. The run rules and the CUSUM, as published, also assume that centre and spread are known, so "
    "from a short baseline they speak up more often than they should. Only the EWMA, with limits widened "
    "for that, opens an alert."
)
NOT_TOLD = Phrase("It says that more is lost, not where: look at joints, condenser and cooling water.")

# Why a signal ended: in words, and the word that its alert keeps.
ENDED_WORDS = {
    "in-control": Phrase("The runs are as before."),
    "repaired": Phrase("A repair was recorded."),
    "changed": Phrase("A change of the apparatus was recorded."),
    "corrected": Phrase("The runs behind it were corrected."),
    "one-apparatus": Phrase("All its runs were done in one apparatus, which has a signal of its own."),
}
CURES = {
    ENDED_WORDS["in-control"]: "runs as before",
    ENDED_WORDS["repaired"]: "repaired",
    ENDED_WORDS["changed"]: "changed",
    ENDED_WORDS["corrected"]: "runs corrected",
    ENDED_WORDS["one-apparatus"]: "told of the apparatus",
}


def day_words(day: date, today: date) -> Phrase:
    """14 May, or 14 May 2025 when that was in another year."""
    said = f"{day.day} {MONTHS[day.month - 1]}"
    return Phrase("{day}", day=NamedDay.of(day, said if day.year == today.year else f"{said} {day.year}"))


def percent_words(fraction: float | None) -> Phrase:
    """31 %: whole percents, as a loss rate is not known better from a few runs."""
    if fraction is None:
        return Phrase("no rate")
    return Phrase("{percent} %", percent=round(fraction * 100))


def runs_words(runs: int) -> Phrase:
    return Phrase("1 run") if runs == 1 else Phrase("{runs} runs", runs=runs)


def signal_words(
    name: str, *, more: bool, since: date, today: date, before: Rate, after: Rate, stands: bool = True
) -> Phrase:
    """Still 2 loses more since 14 May: 31 % against 22 % before, 9 runs."""
    said = Phrase(
        "{series} since {day}: {now} against {before} before, {runs}.",
        series=_verb(name, more=more, stands=stands),
        day=day_words(since, today),
        now=percent_words(after.fraction),
        before=percent_words(before.fraction),
        runs=runs_words(after.runs),
    )
    few = Phrase("Few runs yet: the size of it is not known well.") if after.runs < RUNS_LEAST else ""
    return Phrase.joined([said, few])


def all_runs_of(solvent: str) -> Phrase:
    """The name of the series of every run with a solvent."""
    return Phrase("all runs of {solvent}", solvent=solvent)


def put_anew(words: str, solvent: str) -> str:
    """Kept words as they are put today: earlier ones called all runs of a solvent "ether, all runs"."""
    begins = f"{solvent}, all runs "
    if not words.startswith(begins):
        return words
    rest = re.sub(r"^loses\b", "lose", words.removeprefix(begins))
    return f"{all_runs_of(solvent)} {rest}"


def _verb(name: str, *, more: bool, stands: bool) -> Phrase:
    if isinstance(name, Phrase) and name.template == all_runs_of("").template:
        if stands:
            return (
                Phrase("{names} lose more", names=name) if more else Phrase("{names} lose less", names=name)
            )
        return Phrase("{names} lost more", names=name) if more else Phrase("{names} lost less", names=name)
    if stands:
        return Phrase("{name} loses more", name=name) if more else Phrase("{name} loses less", name=name)
    return Phrase("{name} lost more", name=name) if more else Phrase("{name} lost less", name=name)


def quiet_words(name: str, *, runs: int, missing: int, after_reset: bool) -> Phrase:
    """What is said when no signal stands."""
    if missing and after_reset:
        return Phrase(
            "{name}: a new baseline needs {missing} more; until then little can be said.",
            name=name,
            missing=runs_words(missing),
        )
    if missing:
        return Phrase(
            "{name}: {runs} so far; a chart needs {missing} more for its baseline.",
            name=name,
            runs=runs_words(runs),
            missing=runs_words(missing),
        )
    return Phrase("{name}: no lasting change in {runs}.", name=name, runs=runs_words(runs))
