"""The word list: words that mean the same brought to one, so that they can be counted.

Ours, made for grain spirit from plain words, common practice, no source; no list or wheel of others was
followed.
A distiller adds to it, or overrules it, in season.toml. A word that the list does not know stays as it is.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class Word:
    """A word of the list: its family, and what else is written for it."""

    word: str
    family: str
    also: tuple[str, ...]


@cache
def built_in_words() -> tuple[Word, ...]:
    """The words that come with the program, in alphabetical order."""
    text = resources.files("pipeline.panel").joinpath("lexicon.csv").read_text(encoding="utf-8")
    return tuple(
        Word(
            row["word"], row["family"], tuple(plain(each) for each in row["also"].split(";") if each.strip())
        )
        for row in csv.DictReader(text.splitlines())
    )


def plain(text: str) -> str:
    """A word as it is compared: small letters, single blanks, no accents at the edges or punctuation.

    >>> plain("  Pear--drop! "), plain("Crème")
    ('pear drop', 'creme')
    """
    letters = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").casefold()
    # A script without Latin letters leaves nothing over: its words are compared as they stand.
    letters = letters if re.search(r"[a-z]", letters) else text.casefold()
    return " ".join(re.sub(r"[^\w]+", " ", letters).split())


class Lexicon:
    """The list with a distiller's own words over it.

    own : what is written -> the word it stands for; both may be words of the list or new ones
    """

    def __init__(self, own: Mapping[str, str] | None = None) -> None:
        self._words: dict[str, str] = {}
        self._families: dict[str, str] = {}
        for each in built_in_words():
            self._families[each.word] = each.family
            self._words |= dict.fromkeys((each.word, *each.also), each.word)
        for written, meant in (own or {}).items():
            self._words[plain(written)] = self._words.get(plain(meant), plain(meant))

    def word(self, written: str) -> str:
        """The word that `written` stands for; itself, tidied, when the list does not have it.

        >>> Lexicon().word("Lemon Peel"), Lexicon({"butter": "toffee"}).word("Butter"), Lexicon().word("fog")
        ('citrus peel', 'caramel', 'fog')
        """
        key = plain(written)
        return self._words.get(key, key)

    def family(self, word: str) -> str:
        """The family of a word; empty when the list does not have it."""
        return self._families.get(word, "")
