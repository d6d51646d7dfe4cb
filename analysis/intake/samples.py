"""Which sample belongs to which flock, and whether it is milk or a pot: by rules that people can see and edit."""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from analysis.intake.labs import quoted
from analysis.intake.words import group, holds, plain
from analysis.records.findings import CannotDo

FILE = "intake/samples.toml"
_HEAD = """# Which sample belongs to what. The words are looked for in what a laboratory's file says about the sample (its
# description, else its number); capitals, accents and punctuation do not matter, and a word counts only as a whole.
# A flock's name counts before the words for bulk, and a longer name before a shorter one inside it; a sample that
# names two flocks is set aside. Edit freely.
#
# is = "milk" or "pot"; source = a flock's id from dairy.toml, or "bulk" for mixed milk.
"""


@dataclass(frozen=True)
class Rule:
    """Words and what a sample is that is described by one of them."""

    words: tuple[str, ...]
    kind: str = ""
    source: str = ""


@dataclass(frozen=True)
class Belongs:
    """What a sample is: ``kind`` (milk, pot or empty), ``source`` (or empty), ``clash`` where rules disagree."""

    kind: str = ""
    source: str = ""
    clash: str = ""


def first_rules(flocks: Sequence[tuple[str, str]]) -> tuple[Rule, ...]:
    """Return the rules that a season folder begins with: its flocks' ids and names, and the trade's words.

    Parameters
    ----------
    flocks
        (id, name) of each flock.
    """
    rules = [Rule(tuple(dict.fromkeys(w for w in (flock, name) if w)), "milk", flock) for flock, name in flocks]
    rules.append(Rule(tuple(sorted(group("bulk"))), "milk", "bulk"))
    rules.append(Rule(tuple(sorted(group("pot"))), "pot"))
    rules.append(Rule(tuple(sorted(group("milk"))), "milk"))
    return tuple(rules)


def read_rules(folder: Path, flocks: Sequence[tuple[str, str]]) -> tuple[Rule, ...]:
    """Return the rules of a season folder, or the ones to begin with.

    Flocks that dairy.toml names and the file does not are recognised by id and name all the same.

    Raises
    ------
    CannotDo
        If the file cannot be read.
    """
    path = folder / FILE
    if not path.is_file():
        return first_rules(flocks)
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as bad:
        raise CannotDo(f"{FILE} cannot be read ({bad}); correct it, or delete it and it is written anew") from None
    rules = []
    for entry in said.get("rule", []):
        words, kind, source = entry.get("words"), entry.get("is", ""), entry.get("source", "")
        if not isinstance(words, list) or not all(isinstance(w, str) for w in words) or kind not in ("", "milk", "pot"):
            raise CannotDo(f'{FILE}: each [[rule]] needs words = ["…"] and is = "milk" or "pot"; correct it')
        known = {flock for flock, _ in flocks} | {"bulk", ""}
        if source not in known:
            raise CannotDo(
                f'{FILE}: source "{source}" is no flock of dairy.toml; expected one of '
                f"{', '.join(sorted(known - {''}))}"
            )
        rules.append(Rule(tuple(words), kind, source))
    named = {rule.source for rule in rules}
    rules += [Rule((flock, name), "milk", flock) for flock, name in flocks if flock not in named]
    return tuple(rules)


def as_toml(rules: Sequence[Rule]) -> str:
    """Return the text of ``intake/samples.toml``."""
    lines = [_HEAD]
    for rule in rules:
        lines += ["[[rule]]", "words = [" + ", ".join(quoted(word) for word in rule.words) + "]"]
        if rule.kind:
            lines.append(f"is = {quoted(rule.kind)}")
        if rule.source:
            lines.append(f"source = {quoted(rule.source)}")
        lines.append("")
    return "\n".join(lines)


def belongs(texts: Sequence[str], rules: Sequence[Rule]) -> Belongs:
    """Return what a sample is by what is said about it.

    Parameters
    ----------
    texts
        What is said, the most telling first; the first text that fits a rule decides kind and source each.
    rules
        The rules.
    """
    kind, source, clash = "", "", ""
    for text in texts:
        if not text:
            continue
        found = _fitting(text, tuple(rules))
        if not found:
            continue
        sources = _sources(found)
        kinds = {rule.kind for _, rule in found if rule.kind}
        if len(sources) > 1:
            clash = clash or f'"{text}" fits {" and ".join(sorted(sources))}'
        elif sources and not source:
            source = next(iter(sources))
        if kinds and not kind:
            # A pot of the fell flock's milk is a pot; that a pot is made of milk says nothing against it.
            kind = "pot" if "pot" in kinds else "milk"
        if kind and source:
            break
    return Belongs(kind, source, clash)


@lru_cache(maxsize=20_000)
def _fitting(text: str, rules: tuple[Rule, ...]) -> list[tuple[str, Rule]]:
    """Return the rules that fit, each with its longest word that stands in the text."""
    found = []
    for rule in rules:
        word = holds(text, [plain(w) for w in rule.words])
        if word is not None:
            found.append((word, rule))
    return found


def _sources(found: Sequence[tuple[str, Rule]]) -> set[str]:
    """Return the sources that a text names: a flock before bulk, a longer name before one inside it."""
    named = [(word, rule.source) for word, rule in found if rule.source]
    outer = {s for word, s in named if not any(word != other and f" {word} " in f" {other} " for other, _ in named)}
    return outer - {"bulk"} or outer
