"""What is shown of runs, losses and plans, in plain words with sources; see `inventory.rules.explained`."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from inventory.rules import explained as of_stock
from inventory.rules.cautions import CAUTIONS
from inventory.rules.explained import MEMORY, OURS, Explained
from inventory.rules.phrases import Phrase
from recovery.rules import chart_entry, rates
from recovery.rules.extraction import LOST_PER_PORTION_ML, SMALLEST_PORTION_ML
from recovery.rules.fitting import RUNS_MIN, RUNS_PER_COEFFICIENT
from recovery.rules.loss_watch import BASELINE_RUNS, WEIGHT
from recovery.rules.vapour import ALARM_SHARE, MIXING_WORST

__all__ = ["TEXTS"]

_GUM = Phrase("JCGM 100:2008 (GUM), 5.2.2 for shared parts, 6.3 for k = 2")

_OWN: Mapping[str, Explained] = {
    "rate": Explained(
        Phrase("How is a loss rate worked out?"),
        (
            Phrase(
                "All that was lost in closed runs, divided by all that was charged in them: a large run "
                "weighs more than a small one, as it should. Recovered is the rest. Under {n} runs there "
                "is no interval, since so few say nothing of their scatter.",
                n=rates.RUNS_LEAST,
            ),
            Phrase(
                "With an interval of 95 %, about nineteen in twenty such intervals hold the true rate. A "
                "cylinder that reads wrong in every run shifts the whole interval and does not show in it."
            ),
        ),
        (rates.SOURCE,),
    ),
    "loss-watch": Explained(
        Phrase("What are the limits, the EWMA and the rules?"),
        (
            Phrase(
                "The first {n} runs of a still or purpose say how much such runs lose and scatter; their "
                "limits stay as they are. Each later run is held against them.",
                n=BASELINE_RUNS,
            ),
            Phrase(
                "The EWMA is a mean that remembers: each run counts {percent} %, the older ones ever "
                "less. It finds a small leak that no single run shows, and it alone says that losses have "
                "changed. The published run rules, such as eight runs on one side, are shown beside it "
                "and say nothing alone.",
                percent=round(WEIGHT * 100),
            ),
            Phrase(
                "It says that more is lost, not where. A repair or change that is recorded starts a new "
                "series."
            ),
        ),
        (*chart_entry.SOURCES, Phrase("EWMA: Lucas and Saccucci, Technometrics 32, 1, 1990, from memory")),
    ),
    "fit": Explained(
        Phrase("What is a fit?"),
        (
            Phrase(
                "From your own closed runs it is worked out how much is lost with each run, each mL "
                "charged, and so on, so that together they explain the losses best. No part may be below "
                "nothing, since nothing makes solvent. It takes {least} runs, and {each} for each part; "
                "else it is refused, because chance would be taken for knowledge.",
                least=RUNS_MIN,
                each=RUNS_PER_COEFFICIENT,
            ),
            Phrase(
                "A fit changes nothing until somebody puts it into use; then each prediction that rests "
                "on it names it. It knows only runs like those it was made from."
            ),
        ),
        (
            Phrase("least squares not below nothing: Lawson and Hanson 1974"),
            Phrase(
                "telling parts apart: Belsley, Kuh and Welsch 1980, from memory; ten runs a part: common "
                "practice"
            ),
        ),
    ),
    "expanded": Explained(
        Phrase("What does ± mean here?"),
        (
            Phrase(
                "The expanded uncertainty: twice the standard uncertainty (k = 2), which holds the true "
                "value in about 95 % of cases. It is made of what each instrument, temperature and "
                "density may be wrong by, added as squares; what two readings share, such as one "
                "cylinder, is added first. With few repeated readings k is larger."
            ),
        ),
        (_GUM, Phrase("few readings: Student's t, GUM G.4.1")),
    ),
    "remainder": Explained(
        Phrase("What is the unexplained remainder?"),
        (
            Phrase(
                "What was charged, less what came back, less losses that were measured or named, less "
                "those that are predicted. If it is smaller than its ±, measuring explains it. If it is "
                "larger, look for a leak, a spill, a mix-up or a return that was not booked. More back "
                "than out points to water or to a charge that is missing."
            ),
            Phrase("What nobody named stays booked as unaccounted for; nothing is smoothed away."),
        ),
        (_GUM, Phrase("that what is not explained is named as such: our choice, not published")),
    ),
    "loss-terms": Explained(
        Phrase("Where do predicted losses come from?"),
        (
            Phrase(
                "From what the run told: what dissolves in the water layer, what stays as vapour or "
                "leaves with gas, what wets the apparatus, what stays behind as heel. Each loss is worked "
                "out by its own formula. What was not told is never taken as nothing: it says “not told”, "
                "or names the range that was assumed. What is booked as measured is not predicted a "
                "second time."
            ),
        ),
        (
            Phrase("water layer: mutual solubility of the pair, two mass balances at saturation"),
            Phrase("vapour: ideal gas and Dalton; surfaces: US EPA RMP guidance, appendix D, from memory"),
            Phrase("wetting and what stays in flasks: {ours}", ours=MEMORY),
        ),
    ),
    "portions": Explained(
        Phrase("What are K and the portions?"),
        (
            Phrase(
                "K says how much more of the substance goes into the solvent than stays in water, at "
                "equal volumes. After each portion the fraction q = 1 / (1 + K·V/Va) stays in the water, "
                "V the portion and Va the water; n portions leave q to the power n. So several small "
                "portions take out more than one large one. Ever smaller ones come to a limit, while "
                "about {lost:g} mL stays in the funnel each time.",
                lost=LOST_PER_PORTION_ML,
            ),
            Phrase(
                "A layer below {least:g} mL is hard to run off cleanly. K depends on temperature, salt "
                "and acid, and is better measured than looked up.",
                least=SMALLEST_PORTION_ML,
            ),
        ),
        (
            Phrase(
                "distribution law: Harris, Quantitative Chemical Analysis; Harvey, Analytical Chemistry "
                "2.1, 7.7"
            ),
            Phrase("what stays in the funnel, and the smallest layer: {practice}", practice=MEMORY),
        ),
    ),
    "vapour": Explained(
        Phrase("How is the vapour worked out?"),
        (
            Phrase(
                "The lost liquid as an ideal gas in one well-mixed room, carried off by its air changes: "
                "dC/dt = G/V - n·C. Where no air changes are told, none are taken. Near the bench air "
                "mixes badly, so up to {times:g} times the mean is taken. A limit of exposure, or "
                "{percent} % of the lower explosive limit, counts as passed.",
                times=MIXING_WORST,
                percent=round(ALARM_SHARE * 100),
            ),
            Phrase("It is an estimate and no leave to work without a fume hood."),
        ),
        (
            Phrase("mg/m³ and ppm: CCOHS; alarm at 10 % of the explosive limit: NIOSH IDLH practice"),
            Phrase("bad mixing, factor 1 to 10: ventilation formula, from memory"),
        ),
    ),
    "fitness": Explained(
        Phrase("What does fit for a use mean?"),
        (
            Phrase(
                "Each use names what has to be shown: boiling point, density, refractive index or "
                "water. A check is brought to 20 °C or 101.325 kPa and held against its range with its "
                "uncertainty: it is shown only if reading ± 2 u lies inside. What nobody checked is not "
                "shown, which is not the same as not fit."
            ),
            Phrase("It says nothing of peroxides: the verdict comes on top, and this never makes it milder."),
        ),
        (
            Phrase(
                "reference values: the catalogue, with a source each; half widths: our choice, not published"
            ),
            Phrase("two standard uncertainties: GUM 6.3"),
        ),
    ),
    "times-distilled": Explained(
        Phrase("Why are distillations counted?"),
        (
            Phrase(
                "Each time the inhibitor stays behind and what boils alike gathers. A blend takes the "
                "highest count of its parts. How often is too often your lab decides; no number holds "
                "everywhere."
            ),
        ),
        (OURS,),
    ),
    "gate": Explained(
        Phrase("Why is a charge to a still refused?"),
        (
            Phrase(
                "Distilling concentrates peroxides. So everything charged to a run that distils needs a "
                "passed test as fresh as the policy asks; a former that was never tested does not get in. "
                "A supervisor may let one charge through with a reason, but never at “do not touch”."
            ),
            CAUTIONS["never-to-dryness"],
        ),
        (Phrase("test before distilling: Iowa State EHS, pec/9; age of the test: the policy in use"),),
    ),
    "balance-terms": Explained(
        Phrase("What do I1, O1 and fugitive mean?"),
        (
            Phrase(
                "I1 is what was newly used: opening stock and what came in, less closing stock. I2 is "
                "what was recovered and used again. O1 to O9 are where it went: captured, into water, "
                "into waste, and so on. What nobody saw go is fugitive: it counts as escaped to the air, "
                "so that a gap never looks like none."
            ),
            Phrase("It is worked out two ways that have to agree."),
        ),
        (Phrase("Directive 2010/75/EU, Annex VII, Part 7"),),
    ),
    "choice": Explained(
        Phrase("Why these bottles, in this order?"),
        (
            Phrase(
                "First what ends first, among what the verdict allows today; so that little grows old on "
                "the shelf. What needs a test first is named, and not counted. A plan clears nothing: "
                "each charge is asked again."
            ),
        ),
        (OURS,),
    ),
    "judged-afresh": Explained(
        Phrase("Why are losses judged afresh after a repair?"),
        (
            Phrase(
                "What the still lost before says nothing of it now. After a repair the old limits hold "
                "until {n} new runs are there, so that a repair that mended nothing is told again; after "
                "a change of parts it starts anew at once.",
                n=BASELINE_RUNS,
            ),
        ),
        (OURS,),
    ),
    "hold-up": Explained(
        Phrase("What stays in the apparatus?"),
        (
            Phrase(
                "Solvent that wets condenser and joints and does not run out. Measure it once: distil a "
                "known amount without anything else, and note what is missing. Left empty, no part of a "
                "loss is put down to it."
            ),
        ),
        (MEMORY,),
    ),
    "history": Explained(
        Phrase("What becomes of runs from before counting began?"),
        (
            Phrase(
                "They count in the loss rates and touch no bottle: what was in stock then was not counted "
                "here. They passed no gate, so nothing that came of them counts as tested."
            ),
        ),
        (OURS,),
    ),
}
TEXTS: Mapping[str, Explained] = MappingProxyType({**of_stock.TEXTS, **_OWN})
