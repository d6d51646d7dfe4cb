"""``dairy.toml``: the dairy, its flocks, its usual practice, its present label."""

import difflib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, cast

import jsonschema

from analysis.records.findings import CannotDo, Finding, nearest, warning
from analysis.records.schema import json_schema

FILE = "dairy.toml"
# Advice never leaves these, whatever the maker's own limits say: a judgement of this project, no published source.
SAFE_INCUBATOR_C = (40.0, 48.0)
SAFE_STARTER_G_KG = (10.0, 50.0)
_TARGET_PH = 4.6
_LABEL_OK = 0.95
_CHANGES_WITH_TIME = ("label", "usual", "limits")


@dataclass(frozen=True)
class Flock:
    """A flock: the word used in the tables, and its name."""

    id: str
    name: str


@dataclass(frozen=True)
class Usual:
    """The practice that advice is given against: C, minutes, g of starter a kg of milk."""

    incubator_c: float
    set_min: float
    starter_g_kg: float


@dataclass(frozen=True)
class Limits:
    """The maker's own limits, each (lowest, highest), and the pH at which the yogurt is acid enough."""

    incubator_c: tuple[float, float]
    starter_g_kg: tuple[float, float]
    target_ph: float


@dataclass(frozen=True)
class PotLabel:
    """What the pots say today: values by key of dairy.toml (``fat_g`` …) and claims."""

    values: dict[str, float] = field(default_factory=dict)
    claims: tuple[str, ...] = ()


@dataclass(frozen=True)
class Dairy:
    """One dairy as ``dairy.toml`` describes it, as of a day.

    Parameters
    ----------
    name
        The dairy's name.
    rules
        Rulebooks, the home one first.
    pot_g, serving_g
        Net content of the standard pot and of a serving, g; no serving is None.
    latitude
        Degrees, south negative; None where not said.
    flocks
        The flocks, in the order of the file.
    reference_lab
        The lab taken as right where labs differ, or None.
    usual, limits, label
        As they were on the day.
    label_ok
        Wanted probability that a control sample is within tolerance, worst month.
    costs
        Money and days; maybe empty.
    raw
        Everything that the file says, dates as ``date``.
    """

    name: str
    rules: tuple[str, ...]
    pot_g: float
    serving_g: float | None
    latitude: float | None
    flocks: tuple[Flock, ...]
    reference_lab: str | None
    usual: Usual
    limits: Limits
    label: PotLabel
    label_ok: float
    costs: dict[str, float]
    raw: dict[str, Any]

    @property
    def sources(self) -> tuple[str, ...]:
        """Words that a table may use for where milk came from: flock ids, then ``bulk``."""
        return (*(flock.id for flock in self.flocks), "bulk")

    def as_of(self, day: date) -> "Dairy":
        """Return the dairy with the label, practice and limits that held on ``day``."""
        return replace(self, **_settings(self.raw, day))


def read_dairy(folder: Path) -> tuple[Dairy, tuple[Finding, ...]]:
    """Read and check ``dairy.toml``.

    Parameters
    ----------
    folder
        The season folder.

    Returns
    -------
    tuple[Dairy, tuple[Finding, ...]]
        The dairy as it is today, and what is odd about the file.

    Raises
    ------
    CannotDo
        If the file is missing, is not TOML, or a key is missing, of the wrong type or out of range.
    """
    path = folder / FILE
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise CannotDo(
            f"{FILE} is missing in {folder}; make a season folder with `pasturepot new`, or name the right folder"
        ) from None
    except UnicodeDecodeError as bad:
        raise CannotDo(f"{FILE}: byte {bad.start} is not UTF-8; save the file as UTF-8") from None
    except tomllib.TOMLDecodeError as bad:
        raise CannotDo(f"{FILE}: cannot be read: {bad}; text stands in quotes, lists in square brackets") from None
    except RecursionError:
        raise CannotDo(f"{FILE}: lists or tables stand too deep inside one another") from None
    described = json_schema("dairy")
    problem = jsonschema.exceptions.best_match(jsonschema.Draft202012Validator(described).iter_errors(_plain(raw)))
    if problem is not None:
        raise CannotDo(f"{FILE}: {_said(problem)}")
    _refuse_not_finite(raw)
    ids = [flock["id"].strip() for flock in raw.get("flocks", [])]
    twice = sorted({flock for flock in ids if ids.count(flock) > 1})
    if twice:
        raise CannotDo(f'{FILE}: two flocks have the id "{twice[0]}"; give each its own')
    today = _settings(raw, date.max)
    dairy = Dairy(
        name=raw["name"].strip(),
        rules=tuple(rule.strip() for rule in raw["rules"]),
        pot_g=float(raw["pot_g"]),
        serving_g=float(raw["serving_g"]) if "serving_g" in raw else None,
        latitude=float(raw["latitude"]) if "latitude" in raw else None,
        flocks=tuple(Flock(f["id"].strip(), f.get("name", f["id"]).strip()) for f in raw.get("flocks", [])),
        reference_lab=raw.get("labs", {}).get("reference_lab"),
        label_ok=float(raw.get("risk", {}).get("label_ok", _LABEL_OK)),
        costs={key: float(value) for key, value in raw.get("costs", {}).items() if _is_number(value)},
        raw=raw,
        **today,
    )
    return dairy, tuple(_odd(dairy, described))


def _settings(raw: Mapping[str, Any], day: date) -> dict[str, Any]:
    """Return label, usual and limits as on ``day``: of the entries that end on or after it, the first to end."""
    now: dict[str, Any] = {name: raw.get(name, {}) for name in _CHANGES_WITH_TIME}
    ended_later = [old for old in raw.get("earlier", []) if _day(old["until"]) >= day]
    for old in sorted(ended_later, key=lambda entry: _day(entry["until"]), reverse=True):
        if "label" in old:  # A label is a whole: a line that was not printed then is not taken from today's.
            now["label"] = old["label"]
        for name in ("usual", "limits"):
            now[name] = {**now[name], **old.get(name, {})}
    usual, limits, label = now["usual"], now["limits"], now["label"]
    return {
        "usual": Usual(float(usual["incubator_c"]), float(usual["set_min"]), float(usual["starter_g_kg"])),
        "limits": Limits(
            incubator_c=_pair(limits.get("incubator_c", SAFE_INCUBATOR_C)),
            starter_g_kg=_pair(limits.get("starter_g_kg", SAFE_STARTER_G_KG)),
            target_ph=float(limits.get("target_ph", _TARGET_PH)),
        ),
        "label": PotLabel(
            values={key: float(value) for key, value in label.items() if key != "claims" and _is_number(value)},
            claims=tuple(label.get("claims", ())),
        ),
    }


def _pair(ends: Any) -> tuple[float, float]:
    lo, hi = (float(end) for end in ends)
    if lo > hi:
        raise CannotDo(f"{FILE}: limits {lo:g} to {hi:g} are the wrong way round; write the lower one first")
    return lo, hi


def _day(value: Any) -> date:
    return value.date() if isinstance(value, datetime) else date.fromisoformat(str(value))


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _plain(value: Any) -> Any:
    """Return TOML values as JSON knows them: days as ISO text."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    if isinstance(value, datetime):
        return value.date().isoformat()
    return value.isoformat() if isinstance(value, date) else value


def _key(path: Any) -> str:
    """Return a key as people write it: ``flocks[2].id`` counts from 1."""
    said = ""
    for part in path:
        said += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if said else str(part)
    return said


def _said(problem: jsonschema.ValidationError) -> str:
    """Return a schema error in plain words: key, what was found, what was expected."""
    key = _key(problem.absolute_path)
    rule, seen, wanted = problem.validator, cast("Any", problem.instance), cast("Any", problem.validator_value)
    described = cast("dict[str, Any]", problem.schema)
    about = described.get("description", "")
    expected = f" ({about})" if about else ""
    found = repr(seen) if len(repr(seen)) <= 60 else repr(seen)[:59] + "…"
    if rule == "required":
        missing = next(name for name in wanted if name not in seen)
        close = difflib.get_close_matches(missing, [str(name) for name in seen], n=1)
        inside = described["properties"].get(missing, {}).get("description", "")
        hint = f'; is "{close[0]}" meant' if close else ""
        return f"key {f'{key}.' if key else ''}{missing} is missing, expected {inside or 'a value'}{hint}"
    words = {
        "type": f"must be {_article(wanted)}",
        "minimum": f"must be at least {wanted}",
        "maximum": f"must be at most {wanted}",
        "exclusiveMinimum": f"must be above {wanted}",
        "exclusiveMaximum": f"must be below {wanted}",
        "minItems": f"must hold at least {wanted}",
        "maxItems": f"must hold at most {wanted}",
        "minLength": "must not be empty",
        "uniqueItems": "must not name one thing twice",
        "not": 'must not be "bulk", which is the mixed vat milk',
    }
    return f"key {key} {words.get(str(rule), problem.message)}{expected}, found {found}"


def _article(kind: Any) -> str:
    names = {
        "number": "a number",
        "string": "text in quotes",
        "array": "a list in square brackets",
        "object": "a table",
    }
    return names.get(str(kind), str(kind))


def _refuse_not_finite(value: Any, path: tuple[Any, ...] = ()) -> None:
    # TOML writes nan and inf as numbers; JSON Schema lets them pass.
    if isinstance(value, float) and not -1e300 < value < 1e300:
        raise CannotDo(f"{FILE}: key {_key(path)} must be an ordinary number, found {value}")
    inner: Iterator[tuple[Any, Any]] = iter(())
    if isinstance(value, dict):
        inner = iter(value.items())
    elif isinstance(value, list):
        inner = iter(enumerate(value))
    for key, part in inner:
        _refuse_not_finite(part, (*path, key))


def _odd(dairy: Dairy, described: Mapping[str, Any]) -> Iterator[Finding]:
    """Yield what is worth a look: misspelt keys, limits beyond the safe bounds, an unusual practice."""
    yield from _unknown_keys(dairy.raw, described, "")
    for name, ends, safe, unit in (
        ("incubator_c", dairy.limits.incubator_c, SAFE_INCUBATOR_C, "C"),
        ("starter_g_kg", dairy.limits.starter_g_kg, SAFE_STARTER_G_KG, "g/kg"),
    ):
        if ends[0] < safe[0] or ends[1] > safe[1]:
            yield warning(
                "limits-beyond-bounds",
                "the limits are wider than the safe bounds",
                file=FILE,
                column=f"limits.{name}",
                value=f"{ends[0]:g} to {ends[1]:g}",
                expected=f"within {safe[0]:g} to {safe[1]:g} {unit}",
                advice="advice stays inside the bounds",
            )
    usual = dairy.usual
    if not dairy.limits.incubator_c[0] <= usual.incubator_c <= dairy.limits.incubator_c[1]:
        yield warning(
            "usual-outside-limits",
            "the usual incubator temperature lies outside the limits",
            file=FILE,
            column="usual.incubator_c",
            value=f"{usual.incubator_c:g}",
            expected=f"{dairy.limits.incubator_c[0]:g} to {dairy.limits.incubator_c[1]:g} C",
            advice="check both against the dairy's hygiene plan",
        )


def _unknown_keys(value: Mapping[str, Any], described: Mapping[str, Any], at: str) -> Iterator[Finding]:
    known = described.get("properties", {})
    for key, inner in value.items():
        here = f"{at}.{key}" if at else key
        if key not in known:
            close = nearest(key, known)
            if close is not None:
                yield warning(
                    "unknown-key",
                    "the key is not one that is read",
                    file=FILE,
                    column=here,
                    advice=f'if "{close}" is meant, write it so',
                )
        elif isinstance(inner, dict):
            yield from _unknown_keys(inner, known[key], here)
        elif isinstance(inner, list) and isinstance(known[key].get("items"), dict):
            for number, part in enumerate(inner, start=1):
                if isinstance(part, dict):
                    yield from _unknown_keys(part, known[key]["items"], f"{here}[{number}]")
