"""Tables with one result a row (parameter, result, unit) made into tables with one sample a row."""

from dataclasses import replace

from analysis.intake.reading import Cell
from analysis.intake.tables import Known, LabTable, Row

_PER_RESULT = {"parameter", "result", "unit", "method", "not_kept", "analysed_on"}


def widen(table: LabTable, known: Known) -> LabTable:
    """Return a table with one sample a row.

    Parameters
    ----------
    table
        Any table; one without a column of parameters and one of results is returned as it is.
    known
        Tells the meanings that a heading certainly has.

    Returns
    -------
    LabTable
        The columns that describe the sample, then one a parameter. Two different results of one parameter for one
        sample become a text that no figure can be read from, so that the sample is set aside and not halved.
    """
    names = [set(known(heading)) for heading in table.headings]
    parameter = next((i for i, n in enumerate(names) if "parameter" in n), None)
    result = next((i for i, n in enumerate(names) if "result" in n), None)
    if parameter is None or result is None:
        return table
    unit = next((i for i, n in enumerate(names) if "unit" in n), None)
    about = [i for i, n in enumerate(names) if n and not n & _PER_RESULT and i not in (parameter, result, unit)]
    methods = next((i for i, n in enumerate(names) if "method" in n), None)
    headings: dict[str, int] = {}
    samples: dict[tuple[Cell, ...], tuple[list[Row], dict[str, tuple[Cell, str]], list[str]]] = {}
    carried: tuple[Cell, ...] = tuple(None for _ in about)
    other = list(table.other)
    for row in table.rows:
        name = row.cells[parameter]
        if name is None:
            other.append((row.place, "text", " | ".join(str(c) for c in row.cells if c is not None)))
            continue
        own = tuple(row.cells[i] for i in about)
        # A sample's own cells are often written once, on the first of its rows.
        carried = own if any(cell is not None for cell in own) else carried
        rows, results, used = samples.setdefault(carried, ([], {}, []))
        rows.append(row)
        heading = str(name) if unit is None or row.cells[unit] is None else f"{name} ({row.cells[unit]})"
        headings.setdefault(heading, len(headings))
        cell = row.cells[result]
        if heading in results and results[heading][0] != cell:
            results[heading] = (f"=two results: {results[heading][0]} and {cell}", row.at[result])
        else:
            results.setdefault(heading, (cell, row.at[result]))
        if methods is not None and row.cells[methods] is not None:
            used.append(str(row.cells[methods]))
    order = sorted(headings, key=headings.__getitem__)
    wide = []
    for own, (rows, results, used) in samples.items():
        place = rows[0].place if len(rows) == 1 else f"{rows[0].place} to {rows[-1].place.split()[-1]}"
        method = used[0] if used and len(set(used)) == 1 else None
        cells = (*own, *(results.get(h, (None, ""))[0] for h in order), method)
        at = (
            *(rows[0].at[i] for i in about),
            *(results.get(h, (None, ""))[1] for h in order),
            rows[0].at[methods] if methods is not None else "",
        )
        wide.append(Row(place, cells, at, rows[0].section))
    return replace(
        table,
        headings=(*(table.headings[i] for i in about), *order, table.headings[methods] if methods is not None else ""),
        letters=(
            *(table.letters[i] for i in about),
            *(table.letters[result] for _ in order),
            table.letters[methods] if methods is not None else "",
        ),
        rows=tuple(wide),
        other=tuple(other),
    )
