"""What may be said of a fit: rules that turn gates, intervals, ties and counts into sentences.

One rule stands behind all: an effect is named only past its family's gate, with its interval and the
number of batches behind it. "About the same" is said only where the interval lies within a difference of
no account; everything else is "cannot tell yet". Choices that never varied apart are "never together
with anything else", and no share of a result is given to either. No sentence says "best", "optimal" or
"causes".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.fits.aliases import Association, Tangle, Tie
from pipeline.fits.design import (
    FEWEST_UNITS,
    HARDLY_LOGGED,
    NEVER_VARIED,
    TOO_MANY,
    UNITS_PER_FACTOR,
    WITH,
)
from pipeline.fits.effects import Effect
from pipeline.fits.explained import REST, Share
from pipeline.fits.next_batches import PROMISES, Pick
from pipeline.fits.quality import DRIFT_LEVEL, FAR_OFF, SWAYS, Prediction, Quality
from pipeline.fits.ranking import Rank
from pipeline.fits.responses import FACTORS, Response, family_words

MINUS = "−"

_LUCKY = 0.05
# A promise less likely than this to beat what was made is none.
_HARDLY = 0.05
_CHOICES = {"batch": "grain, yeast and process", "cask": "wood, yeast and time in the cask"}
# More units than this are not all named in one sentence.
_MOST_NAMED = 8


def signed(response: Response, value: float, more: int = 0) -> str:
    """A difference with its sign, in the response's unit: fractions as points of per cent.

    more : digits beyond those the response is usually given to
    """
    scale = 100.0 if response.unit == "%" else 1.0
    text = f"{abs(value) * scale:.{response.decimals + more}f}"
    if not text.strip("0."):
        return text
    return (MINUS if value < 0 else "+") + text


def plain(response: Response, value: float) -> str:
    """A value in the response's unit, without it."""
    scale = 100.0 if response.unit == "%" else 1.0
    return f"{value * scale:.{response.decimals}f}".replace("-", MINUS)


def unit_of_difference(response: Response) -> str:
    """The unit of a difference: points where the response is a fraction."""
    return "points" if response.unit == "%" else response.unit


def counted(count: int, one: str, many: str) -> str:
    """A number with its noun."""
    return f"{count} {one if count == 1 else many}"


def units_word(unit_kind: str, count: int) -> str:
    """So many batches, or casks."""
    return counted(count, "batch", "batches") if unit_kind == "batch" else counted(count, "cask", "casks")


def gate_sentence(
    response: Response, unit_kind: str, family: str, units: int, p: float | None, is_passed: bool
) -> str:
    """Whether a family of choices made a difference at all."""
    name = family_words(family, unit_kind)
    behind = units_word(unit_kind, units)
    if p is None:
        return (
            f"{capital(name)} and {response.words}: cannot be asked of {behind}; it hardly varied, "
            "or too few are left."
        )
    if is_passed:
        return f"{capital(name)} made a difference to {response.words} ({behind}, p {_p(p)})."
    said = f"These {behind} do not show that {name} made a difference to {response.words} (p {_p(p)}"
    if p < _LUCKY:
        said += "; with so many questions asked at once, luck gives that now and then"
    return f"{said})."


def effect_sentence(response: Response, unit_kind: str, effect: Effect) -> str:
    """One answered question, saying no more than its verdict allows."""
    question = effect.question
    unit = unit_of_difference(response)
    interval = f"{signed(response, effect.low)} to {signed(response, effect.high)}"
    behind = units_word(unit_kind, question.units)
    start = capital(question.words)
    if effect.verdict == "never apart":
        return (
            f"{start}: never tried apart from something else, so nothing can be said of it alone ({behind})."
        )
    if effect.verdict == "too few":
        return f"{start}: too few to say ({behind})."
    if effect.verdict == "supported":
        # An end that is clear of nought is not printed as nought.
        near = min(abs(effect.low), abs(effect.high))
        more = next((k for k in range(3) if signed(response, near, k).strip("+0.")), 3)
        interval = f"{signed(response, effect.low, more)} to {signed(response, effect.high, more)}"
        size = signed(response, effect.estimate, more)
        return f"{start}: {response.words} {size} {unit} (95 %: {interval}; {behind})."
    if effect.verdict == "about the same":
        return f"{start}: {response.words} about the same (95 %: {interval} {unit}; {behind})."
    if effect.verdict == "leaning":
        way = "higher" if effect.estimate > 0 else "lower"
        return f"{start}: {response.words} perhaps {way}, not shown yet (95 %: {interval} {unit}; {behind})."
    return f"{start}: {response.words}, cannot tell yet (95 %: {interval} {unit}; {behind})."


def tie_sentence(tie: Tie, unit_kind: str) -> str:
    """Two choices that came together, and what would part them."""
    one, other = _level(tie.family, tie.level), _level(tie.other_family, tie.other_level)
    if "process" in (tie.family, tie.other_family):
        return (
            f"{capital(one)} went up and down with {other} (correlation {tie.correlation:.2f}): "
            f"their effects can {'not' if tie.is_exact else 'hardly'} be separated."
        )
    if not tie.is_exact:
        return (
            f"{capital(one)} and {other} nearly always came together ({tie.together} of "
            f"{units_word(unit_kind, max(tie.units, tie.other_units))}): "
            "their effects can hardly be separated."
        )
    start = f"{capital(one)} was only ever used with {other}, and {other} only with {one}"
    if tie.other_family == "setting":
        start = (
            f"{capital(one)} was used in {tie.other_level} and nowhere else, and nothing else was used there"
        )
    remedy = (
        f" Two batches of {one} with {tie.other_choices[0]} would do it."
        if tie.other_choices and tie.other_family != "setting"
        else ""
    )
    return f"{start} ({units_word(unit_kind, tie.together)}): their effects cannot be separated.{remedy}"


def merged_sentence(level: str, units: int, unit_kind: str) -> str:
    """Grains judged as one because they only ever came together."""
    names = level.split(WITH)
    return (
        f"{capital(_listed(names))} only ever came together, in nearly the same proportion "
        f"({units_word(unit_kind, units)}): they are judged as one. "
        "Two batches with one of them alone would tell."
    )


def tangle_sentence(tangle: Tangle) -> str:
    """Three choices or more bound together."""
    names = [_level(family, level) for family, level in tangle.choices]
    return (
        f"{capital(_listed(names))} are bound together in this design: "
        "only some sums of their effects can be known."
    )


def association_sentence(found: Association, unit_kind: str) -> str:
    """A grain that kept to some of the yeasts."""
    return (
        f"{capital(found.grain)} kept to {_listed(found.yeasts)} ({found.together} of "
        f"{units_word(unit_kind, found.units)}; Cramér's V {found.cramers_v:.2f}): "
        "part of what is said of the one may be the other's."
    )


def apart_sentence(unit_kind: str, units: int, choices: int, apart: int) -> str:
    """How many of the choices a design can tell apart at all."""
    behind = units_word(unit_kind, units)
    if apart == choices:
        return f"{capital(behind)} can tell all {choices} choices of grain, yeast, process and wood apart."
    return (
        f"{capital(behind)} can tell {apart} of {choices} choices of grain, yeast, process and wood apart; "
        "the others were never made without one another, or there are too few batches."
    )


def pooled_sentence(pool: str, members: Sequence[tuple[str, int]]) -> str:
    """Rare ingredients that are judged together; `members` with the batches each was used in."""
    names = _listed([f"{name} ({units_word('batch', count)})" for name, count in members])
    if len(members) == 1:
        return f"{capital(names)} is too rare to be judged alone: it counts as '{pool}'."
    return f"{capital(names)} are too rare to be judged alone: they count together as '{pool}'."


def left_out_sentence(unit_kind: str, units: Sequence[str]) -> str:
    """Units of which the grain is not known."""
    is_one = len(units) == 1
    word = {"batch": "batches", "cask": "casks"}[unit_kind] if not is_one else unit_kind
    why = (
        "not all fermentables were weighed"
        if unit_kind == "batch"
        else "whose spirit it is, or its grain, is not known for half of it"
    )
    names = _listed(units if len(units) <= _MOST_NAMED else [*units[:_MOST_NAMED], "others"])
    return f"{capital(word)} {names} {'is' if is_one else 'are'} left out of all fits: {why}."


def too_few_sentence(response: Response, unit_kind: str, units: int) -> str:
    """A figure measured too seldom to be fitted."""
    name, behind = capital(response.words), units_word(unit_kind, units)
    return f"{name} is not fitted: measured in {behind}, and fewer than {FEWEST_UNITS} tell nothing."


def unasked_words(unit_kind: str, units: int, unasked: Sequence[tuple[str, str]]) -> str:
    """Measured factors that are not asked about, with the reason; nothing when all are."""
    reasons = {
        TOO_MANY: f"{units_word(unit_kind, units)} carry one factor for each {UNITS_PER_FACTOR}",
        HARDLY_LOGGED: "logged too seldom",
        NEVER_VARIED: "never varied",
    }
    parts = []
    for reason, words in reasons.items():
        names = [FACTORS[name].short for name, why in unasked if why == reason]
        if names:
            parts.append(f"{_listed(names)} ({words})")
    return "; ".join(parts)


def unasked_sentence(words: str, responses: Sequence[Response]) -> str:
    """What `unasked_words` says, and of which figures."""
    return f"Not asked about: {words}. So with {_listed([response.words for response in responses])}."


def quality_sentence(response: Response, unit_kind: str, quality: Quality) -> str:
    """How well the fit foretells a batch it has not seen, and what wins when it does not."""
    unit = unit_of_difference(response)
    error = f"± {plain(response, quality.rmse_fit)} {unit}"
    beside = f"the plain mean ± {plain(response, quality.rmse_mean)}"
    if not quality.is_better_than_mean:
        return (
            f"Left out in turn, {units_word(unit_kind, quality.units)} are foretold no better by "
            f"{_CHOICES[unit_kind]} ({error}) than by {beside}: for {response.words} the mean is the answer."
        )
    text = f"Left out in turn, {units_word(unit_kind, quality.units)} are foretold within {error}, {beside}."
    if quality.rmse_recipe_out > quality.rmse_mean_recipe_out:
        text += " A recipe never made before is not foretold better than by the mean."
    if quality.is_curved:
        text += (
            " A curved model foretells better: grains may work on each other, "
            "or more of one may not go on helping."
        )
    return text


def drift_sentence(response: Response, unit_kind: str, quality: Quality) -> str | None:
    """Said only when what the fit leaves over moved with time."""
    if quality.drift_p > DRIFT_LEVEL:
        return None
    way = "rose" if quality.drift > 0 else "fell"
    return (
        f"What {_CHOICES[unit_kind]} leave unexplained of {response.words} {way} through the season "
        f"(p {_p(quality.drift_p)}): something else changed with time."
    )


def sway_sentences(response: Response, unit_kind: str, rows: Sequence[Prediction]) -> list[str]:
    """Single batches far off their prediction, or that hold up an effect by themselves; named."""
    said = []
    word = "batch" if unit_kind == "batch" else "cask"
    for row in sorted(rows, key=lambda row: -abs(row.off_by_sd)):
        if abs(row.off_by_sd) > FAR_OFF:
            way = "higher" if row.off_by_sd > 0 else "lower"
            said.append(
                f"{capital(word)} {row.unit} came out {way} in {response.words} than its like foretell "
                f"({plain(response, row.observed)} against {plain(response, row.low)} to "
                f"{plain(response, row.high)}): worth a look."
            )
    for row in sorted(rows, key=lambda row: -row.sway):
        if row.sway > SWAYS:
            said.append(f"Without {word} {row.unit}, what is said of {row.swayed} would change much.")
    return said


def notes(response: Response, unit_kind: str, quality: Quality, rows: Sequence[Prediction]) -> list[str]:
    """What to know before trusting a fit: drift, batches far off, batches that hold up an effect alone."""
    drift = drift_sentence(response, unit_kind, quality)
    return [*([] if drift is None else [drift]), *sway_sentences(response, unit_kind, rows)]


def without_sentence(
    response: Response, unit_kind: str, left: Sequence[str], named: int, fallen: Sequence[str]
) -> str:
    """Whether the named effects stand without the batches that are far off."""
    word = "batch" if unit_kind == "batch" else "cask"
    who = (
        f"{word} {left[0]}" if len(left) == 1 else f"{word}{'es' if word == 'batch' else 's'} {_listed(left)}"
    )
    if not fallen:
        return f"Without {who}, all that is named for {response.words} still stands ({named} of {named})."
    return (
        f"Without {who}, this no longer stands for {response.words} and is taken back: {'; '.join(fallen)}."
    )


def ranking_sentence(response: Response, ranks: Sequence[Rank], is_shown: bool) -> str:
    """What the order of grain bills or yeasts may be read for.

    is_shown : whether the gate of grain (or yeast) is passed and the fit foretells better than the mean
    """
    subject = ranks[0].subject
    first = ranks[0]
    if not is_shown:
        return (
            f"Which {subject} comes first by {response.words} cannot be told yet: it is not shown that "
            f"{subject} makes a difference to it."
        )
    near = [rank for rank in ranks if rank.chance_near >= 0.5]
    interval = f"{plain(response, first.low)} to {plain(response, first.high)}"
    if first.chance_best >= 0.95 and not first.is_tied:
        return (
            f"{capital(first.name)} comes first of {len(ranks)} {subject}s by {response.words}, "
            f"all else alike: {plain(response, first.adjusted)} "
            f"(95 %: {interval}; {counted(first.units, 'batch', 'batches')})."
        )
    if len(near) > 1:
        names = capital(_listed([_quoted(rank.name) for rank in near]))
        return (
            f"{names} are each more likely than not within 2 % of the highest {response.words}: "
            "which of them comes first cannot be told yet."
        )
    return f"Which {subject} comes first by {response.words} cannot be told yet."


def share_sentence(response: Response, shares: Sequence[Share]) -> str:
    """How much each family explains."""
    parts = [
        f"{family_words(share.family, 'batch')} {_per_cent(share.share)} "
        f"({_per_cent(share.low)} to {_per_cent(share.high)})"
        for share in shares
        if share.family != REST
    ]
    rest = next(share for share in shares if share.family == REST)
    return (
        f"Of the variation in {response.words}: {'; '.join(parts)}; "
        f"nothing logged explains {_per_cent(rest.share)} ({_per_cent(rest.low)} to {_per_cent(rest.high)})."
    )


@dataclass(frozen=True)
class Card:
    """What goes on the card of a batch to try, beside the pick itself.

    cooking   : what must be cooked before the mash
    parts     : pairs of choices, always made together so far, of which this batch has one
    is_a_guess: whether the fit foretells no better than the mean
    """

    bill: str
    yeast: str
    cost: str = ""
    cooking: tuple[str, ...] = ()
    parts: tuple[tuple[str, str], ...] = ()
    is_a_guess: bool = False


def next_sentence(response: Response, pick: Pick, card: Card) -> str:
    """A card for one batch to try: what is expected, how sure, what it would teach, what it costs."""
    said = [
        f"Try {card.bill} with {card.yeast}: expected {response.words} {plain(response, pick.predicted)} "
        f"{response.unit} (95 %: {plain(response, pick.low)} to {plain(response, pick.high)}); "
        f"chance that it beats every bill made so far {_per_cent(pick.chance_better)}."
    ]
    if pick.why == PROMISES and pick.chance_better < _HARDLY:
        said.append("Nothing that may be tried promises more than the highest so far: this comes nearest.")
    if card.is_a_guess and pick.why == PROMISES:
        said.append(
            f"Little more than a guess: so far {response.words} is foretold no better by grain and yeast "
            "than by its mean."
        )
    if pick.learns is not None and pick.sd_then < pick.sd_now:
        narrower = _per_cent(1.0 - pick.sd_then / pick.sd_now)
        said.append(f"It would narrow what is known of '{pick.learns.words}' by {narrower}.")
    said += [f"It would help to tell {one} from {other}." for one, other in card.parts]
    if card.cooking:
        said.append(f"{capital(_listed(card.cooking))} must be cooked before the mash.")
    return " ".join([*said, card.cost]).strip()


def why_words(why: str) -> str:
    """The heading of a card."""
    return "A useful next try" if why == PROMISES else "Would teach most"


def _quoted(name: str) -> str:
    """A name in quotes where it could be read as two."""
    return f"'{name}'" if " and " in name or "," in name else name


def _level(family: str, level: str) -> str:
    return FACTORS[level].short if family == "process" else level


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def capital(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def _p(p: float) -> str:
    return "below 0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def _per_cent(share: float) -> str:
    return f"{100 * share:.0f} %"
