"""Rulebook files: which version was in force on a day, reading, and checking with errors that name file and key."""

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from analysis.label.rounding import Rounding, RoundingBand, Span, check_spans, decimal
from analysis.label.rulebook import (
    Allowed,
    Claim,
    ClaimedBand,
    Condition,
    EnergyFactor,
    Line,
    Rulebook,
    Sourced,
    ToleranceBand,
)
from analysis.places import place
from analysis.pot.figures import NUTRIENTS
from analysis.records.findings import CannotDo, did_you_mean

_SHOWN = 3  # errors of one file that are named; the rest is counted


def rulebook_names() -> tuple[str, ...]:
    """Return the names of the rulebooks that travel with the program."""
    return tuple(sorted({path.stem.split("_")[0] for path in _folder().glob("*.toml")}))


def load_rulebook(name_or_path: str | Path, on_day: date) -> Rulebook:
    """Return the version of a rulebook that was in force on a day.

    Parameters
    ----------
    name_or_path
        The name of a rulebook that travels with the program, the path of a rulebook file, or of a folder with dated
        versions of one.
    on_day
        The day. Where every version is younger, the oldest one stands in (its ``in_force_from`` says so).

    Returns
    -------
    Rulebook

    Raises
    ------
    CannotDo
        If there is no such rulebook or the file breaks the schema; the message names the file, the key and what to do.
    """
    text = str(name_or_path)
    names = rulebook_names()
    if text in names:
        files: Sequence[Path] = sorted(_folder().glob(f"{text}_*.toml"))
    else:
        path = Path(name_or_path)
        if path.is_dir():
            files = sorted(path.glob("*.toml"))
        elif path.is_file():
            files = [path]
        else:
            raise CannotDo(f'no rulebook "{text}": {did_you_mean(text, names)}, or give the path of a rulebook file')
        if not files:
            raise CannotDo(f"{text} holds no rulebook file; a rulebook is a .toml file")
    versions = sorted((_read(file, file.stat().st_mtime_ns) for file in files), key=lambda book: book.in_force_from)
    in_force = [book for book in versions if book.in_force_from <= on_day]
    return in_force[-1] if in_force else versions[0]


def _folder() -> Path:
    return place("analysis", "label", "rulebooks")


@lru_cache(maxsize=64)
def _read(path: Path, _changed: int) -> Rulebook:
    """Read and check one file; kept, since a round of many dairies asks for the same rulebooks again and again."""
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise CannotDo(f"{path.name} is no readable rulebook: {problem}; write it as TOML in UTF-8") from problem
    except OSError as problem:
        raise CannotDo(f"{path.name} cannot be read: {problem.strerror}") from problem
    problems = list(_schema_problems(raw))
    if not problems:
        try:
            return _rulebook(raw)
        except ValueError as problem:
            problems = [str(problem)]
    more = f" (and {len(problems) - _SHOWN} more)" if len(problems) > _SHOWN else ""
    raise CannotDo(f"rulebook {path.name}: {'; '.join(problems[:_SHOWN])}{more}")


# --- the schema ------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _validator() -> Draft202012Validator:
    return Draft202012Validator(json.loads(place("data_schema", "rulebook.schema.json").read_text(encoding="utf-8")))


def _schema_problems(raw: Mapping[str, Any]) -> Iterator[str]:
    """Yield each breach of the schema as one sentence that names the key."""
    plain = _plain(raw)
    for problem in sorted(
        _validator().iter_errors(plain), key=lambda error: [str(part) for part in error.absolute_path]
    ):
        where = _where(plain, list(problem.absolute_path))
        yield f"{where}: {_sentence(problem)}" if where else _sentence(problem)


def _plain(value: Any) -> Any:
    """Turn TOML dates into text, as the schema wants them."""
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, date) else value


def _where(raw: Any, path: Sequence[str | int]) -> str:
    """Return the place of a problem, such as ``nutrient fat (g), rounding 2, step``."""
    words: list[str] = []
    node = raw
    for part in path:
        node = node[part]
        if not isinstance(part, int):
            words.append(part)
        elif (
            isinstance(node, Mapping)
            and words
            and words[-1] in ("nutrient", "claim", "daily_value")
            and words[-1] in node
        ):
            words[-1] += f' "{node[words[-1]]}"' + (f" ({node['unit']})" if "unit" in node else "")
        else:
            words[-1] += f" {part + 1}"
    return ", ".join(words)


def _sentence(problem: ValidationError) -> str:
    """Return what a breach means and what to do."""
    value: Any = problem.instance
    wanted: Any = problem.validator_value
    schema: Any = problem.schema
    if problem.validator == "additionalProperties":
        known = list(schema.get("properties", {}))
        return "; ".join(f'unknown key "{key}", {did_you_mean(key, known)}' for key in value if key not in known)
    if problem.validator == "required":
        missing = [key for key in wanted if key not in value]
        return f"the key{'s' if len(missing) > 1 else ''} {', '.join(missing)} must be there"
    if problem.validator == "enum":
        return f"found {value!r}, expected one of {', '.join(map(str, wanted))}"
    if problem.validator == "type":
        return f"found {value!r}, expected a {wanted}"
    if problem.validator in ("oneOf", "anyOf"):
        choices = [" and ".join(choice.get("required", [])) for choice in wanted]
        count = "exactly one" if problem.validator == "oneOf" else "at least one"
        return f"{count} of {', '.join(choices)} must be there"
    if problem.validator == "not":
        return "an amount and a percentage are given for the same side; keep one"
    return problem.message


# --- from the file to the rulebook -----------------------------------------------------------------------------------


def _rulebook(raw: Mapping[str, Any]) -> Rulebook:
    """Build the rulebook from a file that keeps the schema; ValueError where its parts do not fit together."""
    acids_inside = raw["carbohydrate"]["organic_acids"] == "inside"
    factors = tuple(
        EnergyFactor(row["nutrient"], row.get("kj"), row.get("kcal"), _origin(row)) for row in raw["energy"]["factor"]
    )
    if acids_inside and any(factor.nutrient == "lactic_acid" for factor in factors):
        raise ValueError("energy: lactic_acid has a factor while carbohydrate holds the organic acids: counted twice")
    _no_repeats("energy", [factor.nutrient for factor in factors])
    lines = tuple(_line(row) for row in raw["nutrient"])
    _no_repeats("nutrient", [line.key for line in lines])
    for line in lines:
        if line.nutrient == "energy" and not any(getattr(factor, line.unit.lower()) for factor in factors):
            raise ValueError(f"energy: no factor in {line.unit}, though the panel has energy in {line.unit}")
    daily = tuple(
        (row["nutrient"], float(row["amount"]), row["unit"], _origin(row)) for row in raw.get("daily_value", [])
    )
    claims = tuple(_claim(row, {name for name, *_ in daily}, raw) for row in raw.get("claim", []))
    _no_repeats("claim", [claim.claim for claim in claims])
    basis = raw["basis"]
    singles = {
        "in force from": (raw["in_force"], raw["in_force"]["from"].isoformat()),
        "basis": (basis, basis["per"]),
        "nitrogen factor of protein": (raw["protein"], f"{raw['protein']['nitrogen_factor']:g}"),
        "salt per sodium": (raw["sodium"], f"{raw['sodium']['salt_factor']:g}"),
        "organic acids and carbohydrate": (raw["carbohydrate"], raw["carbohydrate"]["organic_acids"]),
        "pots in a control sample": (raw["control_sample"], str(raw["control_sample"]["pots"])),
        "exemption": (raw["exemption"], raw["exemption"]["text"]),
    }
    return Rulebook(
        name=raw["name"],
        title=raw["title"],
        in_force_from=raw["in_force"]["from"],
        compiled_on=raw["compiled_on"],
        authority=raw["authority"],
        declares=raw["declares"],
        exemption=raw["exemption"]["text"],
        cautions=tuple(row["text"] for row in raw.get("caution", [])),
        three_step_band=raw["three_step_band"],
        not_carried=tuple(raw["not_carried"]),
        per=basis["per"],
        reference_amount_g=basis.get("reference_amount_g"),
        single_serving_below=basis.get("single_serving_below"),
        nitrogen_factor=float(raw["protein"]["nitrogen_factor"]),
        salt_factor=float(raw["sodium"]["salt_factor"]),
        organic_acids_inside=acids_inside,
        control_pots=int(raw["control_sample"]["pots"]),
        energy_factors=factors,
        lines=lines,
        daily_values=daily,
        claims=claims,
        origins=tuple((name, value, _origin(row)) for name, (row, value) in singles.items()),
    )


def _origin(row: Mapping[str, Any]) -> Sourced:
    return Sourced(row["source"], row["mark"])


def _no_repeats(what: str, keys: Sequence[str]) -> None:
    for key in keys:
        if keys.count(key) > 1:
            raise ValueError(f'{what}: "{key}" stands there twice')


def _span(row: Mapping[str, Any], what: str) -> Span:
    """Return the span of a band row; ``from``/``over`` start it, ``to``/``below`` end it."""
    for one, other in (("from", "over"), ("to", "below")):
        if one in row and other in row:
            raise ValueError(f'{what}: "{one}" and "{other}" exclude each other')
    low = decimal(row.get("from", row.get("over", 0.0)))
    high = decimal(row["to"]) if "to" in row else decimal(row["below"]) if "below" in row else None
    if high is not None and (high < low or (high == low and not ("to" in row and "over" not in row))):
        raise ValueError(f"{what}: the band ends at {high} before it starts at {low}")
    return Span(low, "over" not in row, high, "to" in row)


def _allowed(row: Mapping[str, Any], amount: str, percent: str) -> Allowed | None:
    if amount in row:
        return Allowed(amount=decimal(row[amount]))
    return Allowed(percent=decimal(row[percent])) if percent in row else None


def _line(row: Mapping[str, Any]) -> Line:
    name = f'nutrient "{row["nutrient"]}" ({row["unit"]})'
    if (row["nutrient"] == "energy") != (row["unit"] in ("kJ", "kcal")):
        raise ValueError(f"{name}: energy is in kJ or kcal, everything else in g or mg")
    if (row["nutrient"] in ("sodium", "calcium")) != (row["unit"] == "mg"):
        raise ValueError(f"{name}: sodium and calcium are in mg, everything else is not")
    rounding = [(_span(band, f"{name}, rounding"), band) for band in row["rounding"]]
    check_spans([span for span, _ in rounding], f"{name}, rounding")
    tolerance = [(_span(band, f"{name}, tolerance"), band) for band in row["tolerance"]]
    if tolerance:
        check_spans([span for span, _ in tolerance], f"{name}, tolerance")
    claimed = [(_span(band, f"{name}, claimed"), band) for band in row.get("claimed", [])]
    for when in ("presence", "absence"):
        spans = [span for span, band in claimed if band["when"] == when]
        if spans:
            check_spans(spans, f"{name}, claimed ({when})")
    uncertainty = row.get("control_uncertainty")
    least = row.get("only_if_at_least")
    return Line(
        nutrient=row["nutrient"],
        unit=row["unit"],
        printed_as=row["printed_as"],
        mandatory=row["mandatory"],
        safe_end=row["safe_end"],
        rounding=Rounding(
            tuple(
                RoundingBand(
                    span,
                    step=decimal(band["step"]) if "step" in band else None,
                    digits=band.get("digits"),
                    value=decimal(band["value"]) if "value" in band else None,
                    prints=band.get("prints"),
                )
                for span, band in rounding
            )
        ),
        rounding_origin=tuple(_origin(band) for _, band in rounding),
        tolerance=tuple(
            ToleranceBand(
                span, _allowed(band, "minus", "minus_percent"), _allowed(band, "plus", "plus_percent"), _origin(band)
            )
            for span, band in tolerance
        ),
        no_tolerance=row.get("no_tolerance"),
        claimed=tuple(
            ClaimedBand(band["when"], span, _allowed(band, "harmless", "harmless_percent") or Allowed(), _origin(band))
            for span, band in claimed
        ),
        control_uncertainty=_allowed(uncertainty, "amount", "percent") if uncertainty else None,
        uncertainty_origin=_origin(uncertainty) if uncertainty else None,
        only_if_at_least=Decimal(repr(float(least["amount"]))) if least else None,
        origin=_origin(row),
    )


def _claim(row: Mapping[str, Any], daily: set[str], raw: Mapping[str, Any]) -> Claim:
    name = f'claim "{row["claim"]}"'
    for condition in row["condition"]:
        nutrient = condition.get("nutrient")
        if condition["measure"] == "share of daily value" and nutrient not in daily:
            raise ValueError(f'{name}: "{nutrient}" has no daily_value')
        if condition.get("per") == "reference amount" and "reference_amount_g" not in raw["basis"]:
            raise ValueError(f"{name}: per reference amount, but basis has no reference_amount_g")
        if nutrient is not None and re.search(r"[A-Z ]", nutrient):
            raise ValueError(f'{name}: write the nutrient "{nutrient}" in small letters without blanks')
    return Claim(
        claim=row["claim"],
        about=row["about"],
        when=row["when"],
        needs=row.get("needs", "all"),
        conditions=tuple(Condition(**condition) for condition in row["condition"]),
        beside=row.get("beside"),
        origin=_origin(row),
    )


def carried(nutrient: str) -> bool:
    """Return whether a nutrient of a claim can be worked out from the draws of a pot."""
    return nutrient in NUTRIENTS or nutrient == "sodium"
