"""The trade's words, read from ``words.toml``: what a heading, a description or a cell in words stands for."""

import re
import tomllib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

_LANGUAGES = ("en", "fr", "it", "es", "de", "el", "pt", "tr")
# Letters that Unicode does not take apart into a plain letter and an accent.
_PLAIN = str.maketrans({"ß": "ss", "ı": "i", "ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "’": "'", "º": "°", "µ": "μ"})
_NOT_WORD = re.compile(r"[^\w%#°]+")


@dataclass(frozen=True)
class Meaning:
    """One thing that a column can stand for.

    Parameters
    ----------
    name
        Such as ``fat`` or ``sampled_on``.
    tables
        Where it can belong: ``milk``, ``pot``, ``batch``, ``look``, ``ph``.
    read_as
        ``text``, ``date``, ``number``, ``count``, ``state``, ``failure``, ``density``, ``ignored`` or ``refused``.
    """

    name: str
    tables: tuple[str, ...]
    read_as: str


@dataclass(frozen=True)
class Match:
    """What a heading was matched to.

    Parameters
    ----------
    meanings
        Names of the meanings that fit; several where a word has more than one sense.
    certain
        Whether the heading says nothing that the words do not explain.
    leftover
        The words that are not explained.
    length
        Number of letters explained.
    """

    meanings: tuple[str, ...]
    certain: bool
    leftover: tuple[str, ...] = ()
    length: int = 0


NO_MATCH = Match((), certain=False)


@lru_cache(maxsize=50_000)
def plain(text: str) -> str:
    """Return text without accents, capitals and punctuation, words parted by one blank.

    Turkish dotless and dotted i become i, German sharp s becomes ss, so that the same word matches however it is typed.
    """
    apart = unicodedata.normalize("NFKD", text.translate(_PLAIN).casefold())
    bare = "".join(c for c in apart if not unicodedata.combining(c)).translate(_PLAIN)
    return " ".join(_NOT_WORD.sub(" ", bare.replace("_", " ")).split())


@cache
def _described() -> dict[str, Any]:
    return tomllib.loads((Path(__file__).parent / "words.toml").read_text(encoding="utf-8"))


@cache
def meanings() -> dict[str, Meaning]:
    """Return every meaning by its name."""
    return {
        entry["name"]: Meaning(entry["name"], tuple(entry["for"]), entry["is"]) for entry in _described()["meaning"]
    }


@cache
def _phrases() -> tuple[dict[str, tuple[str, ...]], dict[str, tuple[str, ...]]]:
    """Return (phrases, short words), each to the meanings that it can have."""
    long: dict[str, list[str]] = {}
    short: dict[str, list[str]] = {}
    for entry in _described()["meaning"]:
        name = entry["name"]
        for language in _LANGUAGES:
            for word in entry[language]:
                long.setdefault(plain(word), []).append(name)
        for word in entry["short"]:
            short.setdefault(plain(word), []).append(name)
    return (
        {word: tuple(dict.fromkeys(names)) for word, names in long.items() if word},
        {word: tuple(dict.fromkeys(names)) for word, names in short.items() if word},
    )


@cache
def _fillers() -> frozenset[str]:
    words = {plain(word) for word in _described()["fillers"]["words"]}
    words |= {part for names in _described()["methods"].values() for word in names for part in plain(word).split()}
    return frozenset(words)


@cache
def _longest() -> int:
    return max(len(phrase.split()) for phrase in _phrases()[0])


@cache
def match(heading: str) -> Match:
    """Return what a heading (already without its unit) stands for.

    Parameters
    ----------
    heading
        The words of the heading in any of the languages of ``words.toml``.

    Returns
    -------
    Match
        Certain where the whole heading is a known phrase, or a known phrase and words that change nothing.
    """
    text = plain(heading)
    if not text:
        return NO_MATCH
    long, short = _phrases()
    if text in long or text in short:
        senses = (*long.get(text, ()), *short.get(text, ()))
        return Match(tuple(dict.fromkeys(senses)), certain=True, length=len(text))
    tokens = text.split()
    for size in range(min(_longest(), len(tokens)), 0, -1):
        found = [
            (start, names)
            for start in range(len(tokens) - size + 1)
            if (names := long.get(" ".join(tokens[start : start + size]))) is not None
        ]
        if found:
            start, names = found[0]
            rest = tokens[:start] + tokens[start + size :]
            left = tuple(word for word in rest if word not in _fillers() and not word.isdigit())
            if left and set(match(" ".join(left)).meanings) & set(names) and match(" ".join(left)).certain:
                left = ()  # the same thing said in a second language
            return Match(names, certain=not left, leftover=left, length=len(" ".join(tokens[start : start + size])))
    return NO_MATCH


@cache
def group(section: str, key: str = "words") -> frozenset[str]:
    """Return the words of a section of ``words.toml`` such as ``bulk`` or ``summary``, made plain."""
    return frozenset(plain(word) for word in _described()[section][key])


@cache
def as_typed(section: str) -> frozenset[str]:
    """Return the words of a section as typed, only without capitals (for words that are mostly punctuation)."""
    return frozenset(word.casefold() for word in _described()[section]["words"])


@cache
def months() -> dict[str, int]:
    """Return the number of the month by its name or abbreviation."""
    return {plain(word): int(number) for number, words in _described()["months"].items() for word in words}


def holds(text: str, words: Iterable[str]) -> str | None:
    """Return the first of the (plain) words that stands in the text as whole words, longest first, or None."""
    padded = f" {plain(text)} "
    for word in sorted(words, key=lambda w: (-len(w), w)):
        if word and f" {word} " in padded:
            return word
    return None


def which(text: str, section: str) -> str | None:
    """Return the key of ``section`` one of whose words stands in the text: methods, failures."""
    best: tuple[int, str] | None = None
    for key in _described()[section]:
        found = holds(text, group(section, key))
        if found is not None and (best is None or len(found) > best[0]):
            best = (len(found), key)
    return None if best is None else best[1]
