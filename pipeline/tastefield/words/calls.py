"""Calls: what to tell a new owner who rings, in the order of the bench: weigh, then grind, then taste.

Every rule of thumb in here - what a short shot points to, which taste asks for what, how much one move is - is common
practice, no source.
"""

from __future__ import annotations

from typing import Any

from tastefield.words.findings import Entry, Finding

FINER = (
    "Finer with care: stop if nothing drips after 10 to 15 s or the pressure holds, and wait for the pressure to go "
    "before undoing the filter holder."
)
"""Said beside every move to a finer grind. Common practice, no source."""

CALLS: dict[str, Entry] = {
    # --- what is not known yet ----------------------------------------------------------------------------------
    "nothing_told": Entry(
        "note",
        "Nothing of theirs is in the log as return, and nothing was given.",
        "Ask what goes in and comes out, in how many seconds, at which grind, of which coffee, and how it tastes; then "
        'give what they say: --dose 18 --out 36 --time 15 --grind 12 --coffee "house" --taste sour.',
    ),
    "ask": Entry("note", "Not known of their shot: {what}.", "Ask, and give it: {options}."),
    # --- weights ------------------------------------------------------------------------------------------------
    "dose_differs": Entry(
        "note",
        "The dose: {theirs} g goes in where it was {ours} g; {less} coffee runs {faster}.",
        "Weigh {ours} g in and time it again before anything else is changed.",
    ),
    "out_differs": Entry(
        "note",
        "The weight out: {theirs} g where it was {ours} g.",
        "Put a scale under the cup and stop at {ours} g; where a button ends the shot, set it anew to that weight.",
    ),
    # --- time ---------------------------------------------------------------------------------------------------
    "choked": Entry(
        "note",
        "Their shot choked.",
        "Stop, wait until the pressure has gone, undo the filter holder slowly. Check that no more than {dose} g goes "
        "in. {turn}",
    ),
    "coffee_differs": Entry(
        "note",
        "The grind: another coffee ({theirs}, handed over with {ours}) asks for a setting of its own.",
        "{turn}",
    ),
    "coffee_differs_fits": Entry(
        "note",
        "Another coffee ({theirs}, handed over with {ours}), and yet the time is as handed over.",
        "Leave the grind; go by taste.",
    ),
    "coffee_perhaps": Entry("note", "The grind, if the coffee is not {ours} any more.", "{turn}"),
    "grind_moved": Entry(
        "note",
        "The grind: it stands at {theirs} where it was {ours}.",
        "Set it back to {ours}, pull one shot to clear the old grounds and time the next. {care}",
    ),
    "grind_moved_choked": Entry(
        "note",
        "The grind: it stands at {theirs} where it was {ours}, but that choked before.",
        "{turn}",
    ),
    "grind_differs_fits": Entry(
        "note",
        "The grind stands at {theirs} where it was {ours}, and yet the time is as handed over.",
        "Leave it where it stands; ask whether burrs or dial were moved.",
    ),
    "runs_fast": Entry(
        "note",
        "Machine, burrs, dose or distribution{given}: {seconds} s where {expected} s is usual.",
        "Check in this order: when they start the clock; the dose, weighed in the basket it was handed over with; that "
        "the coffee is level and firmly tamped, without a hole where water breaks through; coffee grown old; burrs "
        "moved, worn or not put back right; then the machine, by somebody qualified.",
    ),
    "runs_slow": Entry(
        "note",
        "Machine, burrs, dose or distribution{given}: {seconds} s where {expected} s is usual.",
        "Check in this order: when they start the clock; the dose, weighed in the basket it was handed over with; old "
        "grounds in the grinder; basket and shower screen clogged; burrs moved; then the machine, by somebody "
        "qualified.",
    ),
    "basket_sets_time": Entry(
        "note",
        "The basket is pressurised and sets the time itself, so the grind does not.",
        "Check the basket and its small hole; use the grind it was sold for.",
    ),
    # --- taste --------------------------------------------------------------------------------------------------
    "taste_follows": Entry(
        "note",
        "The taste: {taste} goes with a shot so {fast}.",
        "Put the time right first, then taste again.",
    ),
    "taste_against": Entry(
        "note",
        "The taste: {taste} does not go with a shot so {fast}; the water may not pass evenly.",
        "Level and tamp with care, then taste again.",
    ),
    "as_handed_over": Entry(
        "note",
        "What is known of their shot is as handed over.",
        "Ask how it tastes, and give it: --taste sour, bitter, weak, heavy, harsh or flat.",
    ),
    "tastes_good": Entry(
        "note", "Their shots are as handed over and score {score}: good.", "Leave everything as it is."
    ),
    "taste_grind": Entry(
        "note", "The taste: {taste}, and {seconds} s is {short} of the {ours} s handed over.", "{turn}"
    ),
    "taste_more_out": Entry(
        "note",
        "The taste: {taste} at the time handed over.",
        "Let {grams} g more run out, {out} g, grind and dose as they are; taste again.",
    ),
    "taste_less_out": Entry(
        "note",
        "The taste: {taste} at the time handed over.",
        "Stop {grams} g earlier, at {out} g, grind and dose as they are; taste again.",
    ),
    "taste_harsh": Entry(
        "note",
        "The taste: harsh at the time handed over; water may break through in one place.",
        "Level and tamp with care; if it stays, stop {grams} g earlier, at {out} g.",
    ),
    "taste_flat": Entry(
        "note",
        "The taste: flat at the time handed over points to the coffee before the machine.",
        "Ask when it was roasted and how long the bag has been open; try a fresh one with everything else as it is.",
    ),
}
"""What a call can point to; ``message`` says what and why, ``do`` what to do."""


PRACTICE = (
    "Where things point and how much to change is common practice, no source; what a step of the dial does is told by "
    "shots of this machine where seconds stand beside it."
)
"""Said below every advice."""


def advice(code: str, **values: Any) -> Finding:
    """A piece of advice of this catalogue, as a finding; ``values`` are what its format strings need."""
    entry = CALLS[code]
    return Finding(code, entry.severity, {}, entry.message.format(**values), entry.do.format(**values).strip())


# --- how to turn the grinder ----------------------------------------------------------------------------------------


def turn(steps: int, finer: bool, seconds: float | None, start: str | None, end: str | None) -> str:
    """How far to turn, as a sentence.

    :param seconds: what a step is worth there; ``None`` where unknown, and then it is one step.
    :param start: setting it stands at, as written, and ``end`` the one to turn to; ``None`` where not known.

    >>> turn(2, True, 3.2, "12", "10")
    'Turn 2 steps finer (about 3 s each), from 12 to 10, then time again.'
    """
    way = "finer" if finer else "coarser"
    each = "" if seconds is None else f" (about {seconds:.0f} s{' each' if steps > 1 else ''})"
    where = f", from {start} to {end}" if start is not None and end is not None else ""
    return f"Turn {steps if steps > 1 else 'one'} step{'s' if steps > 1 else ''} {way}{each}{where}, then time again."


def not_beyond(settings: str, choked: bool) -> str:
    """Which settings are not to be reached on the way to finer."""
    return f"Never at or finer than {settings}: it choked." if choked else f"No finer than {settings} at first."


def grind_to(dose: str, out: str, seconds: float) -> str:
    """What to grind for, where their time is not known."""
    return f"Time it, then turn until {dose} gives {out} in {seconds:.0f} s."


NO_FINER = "Do not go finer: {setting} choked. Check dose, level and tamp, and rather take a shorter shot."
DIAL_ENDS = "The dial ends at {setting}: change the dose a little instead, never above what the basket is made for."
