"""All checks of a season's tables: what is set aside, what is kept with a warning."""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

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


def check_season(frames: Mapping[str, pd.DataFrame], dairy: Dairy) -> Checked:
    """Check every table, by itself and against the others.

    Parameters
    ----------
    frames
        Rows known on the day, by table name; corrected results replaced.
    dairy
        The dairy as of that day.

    Returns
    -------
    Checked
        Impossible rows are out, impossible cells emptied; odd ones stay with a warning.
    """
    sieves = {name: Sieve(frames[name], described) for name, described in tables().items()}
    for sieve in sieves.values():
        sieve.ranges()
    return Checked(
        tables={name: sieve.usable() for name, sieve in sieves.items()},
        findings=[finding for sieve in sieves.values() for finding in sieve.findings],
        set_aside=[row for sieve in sieves.values() for row in sieve.aside],
    )
