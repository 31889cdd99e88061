"""The steps of batch and cask logs: what each says, needs, usually has and may have."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

__all__ = ["BATCH_STEPS", "CASK_STEPS", "Need", "Step", "all_of"]

Alternative = tuple[str, ...]
Need = tuple[Alternative, ...]


def all_of(*columns: str) -> tuple[Need, ...]:
    """A need for each of the columns."""
    return tuple(((column,),) for column in columns)


_VOLUME_OR_MASS: Need = (("volume",), ("mass",))


@dataclass(frozen=True)
class Step:
    """One step of a log.

    `needs`: each entry is a choice of alternatives, each a set of columns; without one of them the row
    cannot be used. `expects`: usually measured; without it the row is used and the figure is not
    measured. `may_have`: used when it is there.
    """

    name: str
    says: str
    needs: tuple[Need, ...] = ()
    expects: tuple[str, ...] = ()
    may_have: tuple[str, ...] = ()

    @cached_property
    def columns(self) -> frozenset[str]:
        """Every column the step makes use of, besides those that any row may have."""
        needed = {column for need in self.needs for option in need for column in option}
        return frozenset(needed | set(self.expects) | set(self.may_have))


BATCH_STEPS = (
    Step("recipe", "what this batch is meant to be", all_of("item"), (), ()),
    Step("grain", "a mashed ingredient", all_of("item", "mass"), (), ("price", "lot")),
    Step(
        "sugar",
        "a fermentable that is not mashed: sugar, syrup, honey, fruit juice",
        (*all_of("item"), (("mass",), ("volume", "gravity"))),
        (),
        ("price", "lot", "temperature"),
    ),
    Step("mash", "a mash rest", all_of("temperature", "minutes"), (), ("volume", "item", "ph")),
    Step("sparge", "sparge liquor added", all_of("volume"), (), ("temperature",)),
    Step(
        "runnings",
        "last runnings, when sparging stopped",
        all_of("gravity"),
        (),
        ("temperature", "volume"),
    ),
    Step(
        "wort",
        "wort run into the fermenter from one mash",
        all_of("volume", "gravity"),
        (),
        ("temperature", "ph"),
    ),
    Step("yeast", "yeast pitched", all_of("item"), (), ("mass", "temperature", "price")),
    Step(
        "wash",
        "a look at the fermenter; the first is the original gravity, the last before the first charge the "
        "final one",
        all_of("gravity"),
        (),
        ("volume", "temperature", "ph"),
    ),
    Step(
        "charge",
        "liquid put in the still",
        all_of("run", "item", "volume"),
        (),
        ("source", "strength", "gravity", "temperature", "kettle", "barometer"),
    ),
    Step(
        "collect",
        "a jar or vessel filled off the still",
        all_of("run"),
        ("cut", "volume", "strength"),
        ("item", "spout", "temperature", "kettle", "vapour", "barometer", "minutes", "lot"),
    ),
    Step(
        "residue",
        "what was left in the still (pot ale, spent lees)",
        all_of("run", "volume"),
        (),
        ("strength", "temperature"),
    ),
    Step(
        "dilute",
        "water added to a lot",
        (*all_of("source"), _VOLUME_OR_MASS),
        (),
        ("temperature", "lot"),
    ),
    Step(
        "gauge",
        "a lot measured again",
        (*all_of("source"), _VOLUME_OR_MASS),
        ("strength",),
        ("temperature",),
    ),
    Step(
        "discard",
        "a lot, or some of it, thrown away or put to other use",
        all_of("source"),
        (),
        ("volume",),
    ),
)

CASK_STEPS = (
    Step(
        "fill",
        "spirit put into the cask",
        (*all_of("source"), _VOLUME_OR_MASS),
        ("strength",),
        ("temperature",),
    ),
    Step("top up", "more spirit put into it", (_VOLUME_OR_MASS,), (), ("source", "strength", "temperature")),
    Step("gauge", "the cask measured again", (_VOLUME_OR_MASS,), ("strength",), ("temperature",)),
    Step("draw", "a sample or a part taken out", all_of("volume"), (), ("mass", "strength", "temperature")),
    Step("bottle", "bottled", all_of("volume"), ("strength",), ("mass", "temperature")),
    Step("empty", "nothing left in it", (), (), ("volume", "mass", "strength", "temperature")),
)
