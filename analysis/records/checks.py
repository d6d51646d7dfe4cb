"""All checks of a season's tables: what is set aside, what is kept with a warning."""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from analysis.records.checks_of_days import check_decisions, check_diary, check_weather
from analysis.records.checks_of_results import check_milk, check_pots, factor_assumed
from analysis.records.checks_of_vats import check_batches, check_looks, check_readings
from analysis.records.dairy import Dairy
from analysis.records.findings import Finding
from analysis.records.schema import tables
from analysis.records.sieve import Sieve


@dataclass(frozen=True)
class Checked:
    """Usable tables, findings, and rows set aside (``file, file_row, code, text``)."""

    tables: dict[str, pd.DataFrame]
    findings: list[Finding]
    set_aside: list[tuple[str, int, str, str]]


def check_season(frames: Mapping[str, pd.DataFrame], dairy: Dairy, unusable_batches: set[str]) -> Checked:
    """Check every table, by itself and against the others.

    Parameters
    ----------
    frames
        Rows known on the day, by table name; corrected results replaced.
    dairy
        The dairy as of that day.
    unusable_batches
        The batch_ids whose rows could not be read.

    Returns
    -------
    Checked
        Impossible rows are out, impossible cells emptied; odd ones stay with a warning.
    """
    sieves = {name: Sieve(frames[name], described) for name, described in tables().items()}
    named = set(sieves["batches"].frame["batch_id"].dropna())
    check_milk(sieves["milk_tests"], dairy)
    check_diary(sieves["flock_diary"], dairy)
    check_batches(sieves["batches"], dairy)
    made = sieves["batches"].usable().set_index("batch_id")["made_on"]
    set_aside = (named | unusable_batches) - set(made.index)
    check_looks(sieves["set_checks"], made, set_aside)
    check_readings(sieves["ph_readings"], made, set_aside)
    check_pots(sieves["pot_tests"], made, set_aside)
    check_weather(sieves["weather"])
    check_decisions(sieves["decisions_taken"])
    return Checked(
        tables={name: sieve.usable() for name, sieve in sieves.items()},
        findings=[
            *(finding for sieve in sieves.values() for finding in sieve.findings),
            *factor_assumed(sieves["milk_tests"], sieves["pot_tests"]),
        ],
        set_aside=[row for sieve in sieves.values() for row in sieve.aside],
    )
