"""Where the files that are not code lie, in a checkout and in an installed wheel."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
# In a wheel the data folders travel inside the package; in a checkout they lie beside it.
_INSTALLED = _PACKAGE / "_data"


def place(*parts: str) -> Path:
    """Return the path of a file that travels with the program.

    Parameters
    ----------
    *parts
        Path parts below the project, such as ``"data_schema", "milk_tests.schema.json"``,
        ``"notebooks", "02_milk_season.ipynb"`` or ``"analysis", "label", "rulebooks"``.

    Returns
    -------
    Path
        The path in the checkout or, in an installed copy, inside the package.

    Raises
    ------
    FileNotFoundError
        If the file does not travel with this copy of the program.
    """
    if parts and parts[0] == "analysis":
        found = _PACKAGE.joinpath(*parts[1:])
    else:
        installed = _INSTALLED.joinpath(*parts)
        found = installed if installed.exists() else _PACKAGE.parent.joinpath(*parts)
    if not found.exists():
        msg = f"{'/'.join(parts)} does not travel with this copy of pasturepot; install it again"
        raise FileNotFoundError(msg)
    return found
