"""Method: how a recipe is worked out and how that was checked, for people who are no statisticians.

Page, workbook and whoever else explains it say the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tastefield.words.numbers import number

TITLE = "How this is computed, and how it was checked"


@dataclass(frozen=True)
class Part:
    """One part of the explanation.

    :param heading: what it is about; empty where it goes on under the title.
    :param paragraphs: what each begins with, set off from the rest (may be empty), and the rest.
    """

    heading: str
    paragraphs: tuple[tuple[str, str], ...]


def method(pooled: bool, prior: Mapping[str, Any] | None, good: float) -> tuple[Part, ...]:
    """The explanation, part by part.

    :param pooled: whether the setups were worked out together.
    :param prior: what other runs left, as in the results file; ``None`` where the run started from nothing.
    :param good: the score that counts as good.
    """
    alone = (("", ALONE),)
    learned: tuple[tuple[str, str], ...] = (("", LEARNED), ("Why few shots lean on the others.", FEW))
    if prior:
        learned += (("What it started from.", STARTED.format(setups=prior["setups"], shots=prior["shots"])),)
    told = (
        ("What “about 4 in 5” means.", chance_means(good)),
        ("What is not known.", UNKNOWN.format(coffee=OTHER_COFFEE if pooled else "")),
    )
    checked = (Part("How it was checked", (("", CHECKED), ("What came out.", FOUND))),) if pooled else ()
    first = Part("One bench, learned together", (*learned, *told)) if pooled else Part("", (*alone, *told))
    return (first, *checked, Part("From taste to a setting", (("", SETTING),)))


def chance_means(good: float) -> str:
    """What a chance of a good shot means."""
    return CHANCE.format(good=number(good, 1))


LEARNED = (
    "All tasted shots of this bench are looked at together. What they share is learned as one smooth hill: how "
    "liking rises and falls with ratio (weight out over dose) and shot time. For another coffee that hill stands "
    "elsewhere; where, its tasted shots show. A shot that ran fast or slow though the dial stood the same tastes less "
    "unlike the others than its time says; how much less, the scores show. To the hill come differences, each "
    "believed only as far as scores show it: what a coffee adds, what a machine adds, and what this one machine "
    "with this one coffee adds; kinds of roast, machine and grinder, where they are written down. Near the top of"
    " the scale the same change of recipe shows less, and the hill is flat there. Tasters who score high or low "
    "in general, or of one coffee, are allowed for; so are the sitting, and small effects of dose, serving order "
    "and age of the coffee. Where it is rather the poor shots that nobody scores, beyond what their ratio, their "
    "time, their place in the series and the habits at each setup account for, a shot without a score counts as a "
    "poorer one. Scores that flatter a shot because it ran about 27 s, as shots are said to have to, show at one time "
    "in all coffees; what they are likely to flatter it by is taken off, as far as it can be told from liking."
)
FEW = (
    "One good taste may be luck. How far a single taste is usually off is known from all shots together, so two "
    "tasted shots are worth just what they are worth: the recipe then comes mostly from shots of the same coffee "
    "elsewhere and of other coffees on this machine. The more is tasted here, the more this machine speaks for "
    "itself. No rule switches from one to the other; each is weighed by how unsure it is. Where nobody tasted "
    "anything, a weak assumption speaks: liking falls off slowly on all sides of 1:2 in 27 s (common practice, no"
    " source)."
)
STARTED = (
    "Other runs left what {setups} setups with {shots} tasted shots taught: how liking runs over ratio and time "
    "on average, and how much setups, coffees and tasters differ. No shot is counted twice."
)
ALONE = (
    "For each setup a smooth surface is laid through the scores over ratio (weight out over dose) and shot time. "
    "Tasters who score high or low in general are allowed for."
)
CHANCE = (
    "A shot is good when the mean of all tasters of this run, each counting the same, would be {good} or more. Of"
    " all recipes that say “about 4 in 5”, about four shots in five made to them should be good. It counts what "
    "is not known of the taste, how far shots of this machine land from what was meant, and the luck of a single "
    "shot; it does not count the mood of one taster on one day. With fewer than three tasted shots the chance is "
    "told in words, because a number would claim too much."
)
UNKNOWN = (
    "Another water, another grinder, other people’s taste: the scores are those of your tasters. What lies beyond"
    " the shots anybody tasted here is never recommended. {coffee}Scores of tasters who see the clock may flatter a "
    "shot that ran the usual time, and poor shots may go unscored; both are allowed for as far as they show, but they "
    "are better avoided: taste blind to the time, and score poor shots too. Your best real shot stands beside every "
    "recipe: it is a fact, the recipe is a judgement."
)
OTHER_COFFEE = (
    "A coffee not yet tasted may be like any of those tasted so far, and differ from what is usual as much as "
    "they do, and few coffees do not tell how the next one may be; that is why its chances lie nearer the middle. "
)
CHECKED = (
    "On made-up benches, because only there the truth is known. Machines, coffees, tasters and people who search "
    "as people do are invented; the program gets their log as it gets yours; its recipe is then judged by the "
    "truth: how much liking it gives away against the best recipe there is, beside what simply repeating the best"
    " shot seen gives away; and whether of the recipes called “about 4 in 5” four in five are good in truth. From"
    " a checkout, the command python -m tests.benchmarks truth does it again."
)
FOUND = (
    "On 30 benches that nothing was tuned on (1,050 pairs of machine and coffee, every shot tasted; measured on 27 "
    "November 2026) the recipes gave away 0.16 points of liking on a scale from 1 to 9, the best shots 0.58, one "
    "recipe for the whole bench 0.50. Recipes that claimed 4 in 5 or more, 0.94 on average, were good in 0.95 of "
    "shots; those that claimed less, fifth by fifth, were within 0.05 of the truth. Where only one to three shots of "
    "a machine had been tasted (100 benches, 3,499 pairs) the recipes gave away 0.37, the best shots 0.96; claims of "
    "4 in 5 or more were true to 0.02, lower ones at most 0.04 too high. Where tasters flattered shots near 27 s by "
    "0.7 points, or poor shots were poured away unscored (20 benches each), claims of 4 in 5 or more were at most 0.02 "
    "too high and lower ones at most 0.06."
)
SETTING = (
    "The recipe is the point with the highest expected score among those that tasted shots speak for and the dial"
    " can reach, averaged over how far shots land from what was meant. The range you may drift is the largest box"
    " around the recipe that keeps the asked chance. The dial setting comes from a straight line of the logarithm"
    " of time against the dial, snapped to the dial’s own steps. Extraction is weight out times strength over "
    "dose, and only shown where it was read."
)
