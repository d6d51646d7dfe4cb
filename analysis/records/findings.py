"""What a room found worth saying, and what it hands on."""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

# Only the name is needed: a command that merely prints its help must not wait for it.
if TYPE_CHECKING:
    import pandas as pd

Severity = Literal["error", "warning", "note"]
_RANK = {"error": 0, "warning": 1, "note": 2}


class CannotDo(Exception):  # noqa: N818 - said to people: "this cannot be done"
    """Something asked for cannot be done; the message is one line that says why and what to do."""

    def __init__(self, message: str) -> None:
        super().__init__(" ".join(message.split()))


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing worth saying about the records or an answer.

    Parameters
    ----------
    code
        Short stable word for the kind of finding, such as ``"factor-of-ten"``.
    severity
        ``"error"`` (set aside), ``"warning"`` (kept, look at it) or ``"note"``.
    text
        What is wrong, in plain words.
    file, row, column
        Where; the row is the one that a spreadsheet shows (header = 1).
    value
        What was seen there.
    expected
        What was expected instead.
    advice
        What to do.
    """

    code: str
    severity: Severity
    text: str
    file: str | None = None
    row: int | None = None
    column: str | None = None
    value: str | None = None
    expected: str | None = None
    advice: str | None = None

    def __post_init__(self) -> None:
        if self.severity not in _RANK:
            raise ValueError(f"severity {self.severity!r} is none of {', '.join(_RANK)}")

    @property
    def where(self) -> str:
        """The place in words: ``milk_tests.csv row 14, column fat_g_100g``."""
        place = self.file or ""
        if self.row is not None:
            place = f"{place} row {self.row}".strip()
        if self.column is not None:
            place = f"{place}, column {self.column}" if place else f"column {self.column}"
        return place

    def sentence(self) -> str:
        """Return the whole message on one line: where, what, what was seen and expected, what to do."""
        said = self.text.rstrip(". ")
        if self.value is not None:
            said += f", found {_shown(self.value)}"
        if self.expected is not None:
            said += f", expected {self.expected}"
        if self.advice is not None:
            said += f"; {self.advice.rstrip('.')}"
        start = f"{self.where}: " if self.where else ""
        return " ".join(f"{start}{said}.".split())

    def as_flag(self) -> dict[str, str]:
        """Return the entry of ``flags`` in decisions.json."""
        said = Finding(
            code=self.code,
            severity=self.severity,
            text=self.text,
            value=self.value,
            expected=self.expected,
            advice=self.advice,
        )
        return {"code": self.code, "severity": self.severity, "where": self.where, "text": said.sentence()}

    def sort_key(self) -> tuple[int, str, int, str, str, str]:
        """Return a key that puts errors first, then files, rows and columns in order."""
        return (_RANK[self.severity], self.file or "", self.row or 0, self.column or "", self.code, self.text)


def _shown(value: str, longest: int = 60) -> str:
    """Return a cell's text fit for one line: control characters named, long text cut."""
    clean = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in value)
    if len(clean) > longest:
        clean = clean[: longest - 1] + "…"
    return f'"{clean}"' if not _is_number(clean) else clean


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def error(code: str, text: str, **where: Any) -> Finding:
    """Return a Finding that something was set aside; ``where`` as in :class:`Finding`."""
    return Finding(code=code, severity="error", text=text, **where)


def warning(code: str, text: str, **where: Any) -> Finding:
    """Return a Finding that something was kept but is worth a look; ``where`` as in :class:`Finding`."""
    return Finding(code=code, severity="warning", text=text, **where)


def note(code: str, text: str, **where: Any) -> Finding:
    """Return a Finding that is only said; ``where`` as in :class:`Finding`."""
    return Finding(code=code, severity="note", text=text, **where)


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings without repeats: errors first, then by file, row, column."""
    return tuple(sorted(dict.fromkeys(findings), key=Finding.sort_key))


def nearest(word: str, words: Iterable[str]) -> str | None:
    """Return the right word that looks most like ``word``, or None where none comes near."""
    by_fold = {right.casefold(): right for right in words}
    close = difflib.get_close_matches(word.casefold(), list(by_fold), n=1, cutoff=0.6)
    return by_fold[close[0]] if close else None


def did_you_mean(word: str, words: Iterable[str]) -> str:
    """Return ``did you mean "…"?`` for the nearest right word, else the list of right words."""
    listed = list(words)
    close = nearest(word, listed)
    return f'did you mean "{close}"?' if close else f"use one of {', '.join(listed)}"


@dataclass(frozen=True)
class Answer:
    """What a room hands to ``decide``.

    Parameters
    ----------
    decisions
        Lists under keys of decisions.json.
    tables
        Tidy frames; each becomes ``tables/<name>.csv``, and every figure is drawn from these and nothing else.
    flags
        What is worth saying about the answer.
    """

    decisions: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    tables: dict[str, "pd.DataFrame"] = field(default_factory=dict)
    flags: tuple[Finding, ...] = ()
