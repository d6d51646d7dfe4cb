"""The corpus: columns recognised, rows as they should be, no wrong figure, what cannot be decided asked."""

import json
from pathlib import Path

import pytest

from analysis.intake import child
from analysis.intake.plan import FilePlan, Said, plan_file, read_standing
from analysis.intake.reading import as_lab_file
from tests.intake_corpus.build import Built, _split, build
from tests.intake_corpus.habits import HABITS
from tests.intake_corpus.season import make_season

BY_HAND = Path(__file__).parents[1] / "intake_corpus" / "by_hand"


@pytest.fixture(scope="session")
def corpus(tmp_path_factory) -> dict[str, Built]:
    return {built.habit.name: built for built in build(tmp_path_factory.mktemp("corpus"))}


@pytest.fixture(scope="session")
def season(tmp_path_factory) -> Path:
    return make_season(tmp_path_factory.mktemp("corpus_season") / "season")


def planned(path: Path, season: Path, said: Said) -> FilePlan:
    found = as_lab_file(path, json.loads(json.dumps(child.read(path))))
    return plan_file(found, "0" * 64, read_standing(season), said)


def said_for(built: Built) -> Said:
    named_in_file = any("ab" in str(cell) for row in built.habit.titles for cell in row)
    return Said(lab=built.habit.lab if built.habit.lab and not named_in_file else None)


def columns_right(built: Built, plan: FilePlan) -> list[tuple[str, bool]]:
    """Tell for each heading whether it was taken for what it is; a question on what can only be asked is right."""
    taken = {column.heading: column for _, understood in plan.tables for column in understood.columns}
    out = []
    for heading, meaning in built.columns.items():
        near = [
            c
            for h, c in taken.items()
            if h == heading or (h and h.startswith(f"{heading} ")) or (h and h.split(" (")[0] == _split(heading)[0])
        ]
        column = taken.get(heading) or (near[0] if near else None)
        if column is None:
            right = False
        elif meaning == "-":
            right = column.verdict in ("not kept", "refused", "not known")
        elif meaning == "?" or built.habit.asks.startswith("column:"):
            right = column.verdict == "asked" or (column.verdict == "used" and column.meaning == meaning)
        else:
            right = column.verdict == "used" and column.meaning == meaning
        out.append((heading, right))
    return out


def same(one: str | None, other: str | None) -> bool:
    if one == other:
        return True
    try:
        return one is not None and other is not None and abs(float(one) - float(other)) < 6e-5
    except ValueError:
        return False


def differences(expected: list[dict[str, str]], plan: FilePlan) -> list[str]:
    """Say where stored rows differ from what should come of the file, in any column but the note."""
    stored = [dict(fate.values or {}) for fate in plan.fates if fate.fate == "new"]
    wrong = [] if len(stored) == len(expected) else [f"{len(stored)} rows stored, {len(expected)} expected"]
    by_number = {row.get("sample_id") or f"{row.get('batch_id')} {row.get('minutes', '')}": row for row in stored}
    for place, row in enumerate(expected):
        number = row.get("sample_id") or f"{row.get('batch_id')} {row.get('minutes', '')}"
        found = by_number.get(number) or (
            stored[place] if "sample_id" not in row and "batch_id" not in row and place < len(stored) else {}
        )
        for column in sorted({*row, *found}):
            made_up = column == "sample_id" and "sample_id" not in row
            if column != "note" and not made_up and not same(row.get(column), found.get(column)):
                wrong.append(f"{number} {column}: expected {row.get(column)}, stored {found.get(column)}")
    return wrong


@pytest.mark.parametrize("name", [habit.name for habit in HABITS])
def test_a_lab_file_comes_in_as_it_should(name, corpus, season):
    built = corpus[name]
    plan = planned(built.path, season, said_for(built))
    assert [heading for heading, right in columns_right(built, plan) if not right] == []
    if built.habit.asks:
        assert built.habit.asks in {question.key for question in plan.questions}
        assert plan.fates == ()
    else:
        assert plan.questions == ()
        assert differences(built.rows, plan) == []


def test_at_least_sixty_files_in_eight_languages_and_of_small_size(corpus):
    assert len(corpus) + len(list(BY_HAND.glob("*.json"))) >= 60
    assert {built.habit.language for built in corpus.values()} == {"en", "de", "fr", "it", "es", "el", "pt", "tr"}
    assert sum(built.path.stat().st_size for built in corpus.values()) < 3_000_000


@pytest.mark.parametrize("path", sorted(BY_HAND.glob("*.json")), ids=lambda path: path.stem)
def test_a_file_written_by_hand_comes_in_as_it_should(path, season):
    expected = json.loads(path.read_text(encoding="utf-8"))
    file = next(p for p in BY_HAND.glob(f"{path.stem}.*") if p.suffix != ".json")
    plan = planned(file, season, Said(**expected["said"]))
    if "asks" in expected:
        assert expected["asks"] in {question.key for question in plan.questions}
        return
    assert plan.questions == ()
    assert differences(expected["rows"], plan) == []
    assert plan.count("set aside") == expected["set_aside"]
    assert len(plan.fates) == len(expected["rows"]) + expected["set_aside"]


def test_the_corpus_notices_a_wrong_figure(corpus, season):
    built = corpus["en_plain"]
    plan = planned(built.path, season, said_for(built))
    spoilt = [{**row, "fat_g_100g": str(float(row["fat_g_100g"]) + 0.001)} for row in built.rows]
    assert len(differences(spoilt, plan)) == len(built.rows)
