"""Runs notebooks by papermill, and calls a run done only when it is.

papermill alone calls some half-run notebooks a success (`sys.exit(0)`, a swallowed error) and only warns of a
misspelt parameter. Here the parameters are compared before a kernel starts, and afterwards every code cell must have
run and every file that the notebook declares (its metadata ``pasturepot.deliverables``) must be there, new and not
empty.
"""

import logging
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
import papermill
from nbclient.exceptions import CellTimeoutError, DeadKernelError
from nbformat import NotebookNode
from papermill.exceptions import PapermillExecutionError
from papermill.execute import ERROR_MARKER_TAG

from analysis.records.findings import nearest
from analysis.records.writing import write_text
from analysis.review import kernels
from analysis.review.notebook_failures import (
    CellFailed,
    DeliverableMissing,
    KernelDidNotStart,
    KernelDied,
    NotebookFailure,
    StoppedEarly,
    TimedOut,
    WrongParameter,
    exit_words,
)
from analysis.review.progress import Progress

logger = logging.getLogger(__name__)

AT_ONCE = 2  # measured: on two cores two kernels at a time are as fast as six, with a third of the memory
CELL_SECONDS = 180.0
NOTEBOOK_SECONDS = 600.0

_KINDS = {"str": "text", "int": "a whole number", "float": "a number"}


@dataclass(frozen=True)
class NotebookTask:
    """One notebook to run.

    Attributes
    ----------
    source
        The notebook as committed; never written to.
    parameters
        Text and numbers only.
    out_folder
        Absolute folder to which the declared deliverables are relative.
    output
        Where the executed notebook is written once it is whole.
    shown_parameters
        What the executed notebook shows in place of paths of this run, so that equal runs give equal bytes.
    environment
        Added to the kernel's environment.
    """

    source: Path
    parameters: Mapping[str, str | int | float]
    out_folder: Path
    output: Path
    shown_parameters: Mapping[str, str | int | float] | None = None
    environment: Mapping[str, str] | None = None

    @property
    def name(self) -> str:
        """Name of the notebook without its ending."""
        return self.source.stem


def run_notebooks(
    tasks: Sequence[NotebookTask],
    progress: Progress,
    *,
    at_once: int = AT_ONCE,
    cell_seconds: float = CELL_SECONDS,
    notebook_seconds: float = NOTEBOOK_SECONDS,
) -> list[NotebookFailure]:
    """Run notebooks side by side and return the failures, in the order of the tasks; an empty list is success.

    Parameters
    ----------
    tasks
        The notebooks; all parameters are checked before the first kernel starts.
    progress
        Is told each cell that is done.
    at_once
        How many run at a time.
    cell_seconds, notebook_seconds
        Deadlines of one cell and of one notebook.
    """
    wrong: list[NotebookFailure] = [failure for task in tasks for failure in check_parameters(task)]
    if wrong:
        return wrong
    with ThreadPoolExecutor(max_workers=at_once, thread_name_prefix="notebook") as pool:
        runs = [pool.submit(_run_or_failure, task, progress, cell_seconds, notebook_seconds) for task in tasks]
        try:
            found = [run.result() for run in runs]
        except BaseException:  # an interrupt: end what runs, then let it pass
            for run in runs:
                run.cancel()
            progress.end_all_kernels()
            raise
    return [failure for failure in found if failure is not None]


def run_notebook(
    task: NotebookTask,
    progress: Progress,
    cell_seconds: float = CELL_SECONDS,
    notebook_seconds: float = NOTEBOOK_SECONDS,
) -> None:
    """Run one notebook and write its executed form.

    Raises
    ------
    NotebookFailure
        Of the class that says what went wrong.
    """
    for failure in check_parameters(task):
        raise failure
    owed = deliverables(read_notebook(task.source))
    before = {name: _stamp(task.out_folder / name) for name in owed}
    started = time.monotonic()
    watch = kernels.Watch(
        lambda _done: progress.cell_done(task.name), cell_seconds, notebook_seconds, dict(task.environment or {})
    )
    progress.notebook_starts(task.name, watch)
    try:
        executed = _by_papermill(task, watch)
    finally:
        progress.notebook_ends(task.name)
    _check_every_cell_ran(task.name, executed)
    _check_deliverables(task, owed, before)
    text: str = nbformat.writes(normalised(executed, task))  # type: ignore[no-untyped-call]
    write_text(task.output, text + "\n")
    logger.info("%s: done in %.1f s", task.name, time.monotonic() - started)


def read_notebook(path: Path) -> NotebookNode:
    """Return a notebook of format 4 as it lies on disk."""
    found: NotebookNode = nbformat.read(path, as_version=4)  # type: ignore[no-untyped-call]
    return found


def deliverables(notebook: NotebookNode) -> tuple[str, ...]:
    """Return the files that a notebook declares in its metadata, relative to its out_folder."""
    return tuple(notebook.metadata.get("pasturepot", {}).get("deliverables", ()))


def check_parameters(task: NotebookTask) -> list[WrongParameter]:
    """Compare parameters with the notebook's own, before any kernel starts.

    Returns
    -------
    list of WrongParameter
        Empty if each parameter is known, is text or a number, and is of the kind of its default.
    """
    known = papermill.inspect_notebook(_readable_path(task.source))
    wrong = []
    for name, value in task.parameters.items():
        reason = _wrong_parameter(name, value, known)
        if reason is not None:
            wrong.append(WrongParameter(task.name, reason))
    return wrong


def normalised(executed: NotebookNode, task: NotebookTask) -> NotebookNode:
    """Return an executed notebook without what differs between two equal runs: times, random ids, paths of this run."""
    clean: NotebookNode = nbformat.from_dict(executed)  # type: ignore[no-untyped-call]
    clean.metadata.pop("papermill", None)
    clean.metadata.pop("widgets", None)
    for cell in clean.cells:
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if not cell.metadata.get("tags"):
            cell.metadata.pop("tags", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell["id"] = "injected-parameters"
            shown = {**task.parameters, **(task.shown_parameters or {})}
            cell.source = "# Parameters\n" + "\n".join(f"{name} = {value!r}" for name, value in shown.items())
        _merge_streams(cell)
    return clean


def _run_or_failure(
    task: NotebookTask, progress: Progress, cell_seconds: float, notebook_seconds: float
) -> NotebookFailure | None:
    try:
        run_notebook(task, progress, cell_seconds, notebook_seconds)
    except NotebookFailure as failure:
        return failure
    return None


def _by_papermill(task: NotebookTask, watch: kernels.Watch) -> NotebookNode:
    """Let papermill run the notebook and turn what it raises into the class that says what happened."""
    try:
        executed: NotebookNode = papermill.execute_notebook(
            _readable_path(task.source),
            None,
            parameters=dict(task.parameters),
            engine_name=kernels.ENGINE,
            progress_bar=False,
            watch=watch,
        )
    except PapermillExecutionError as error:
        # papermill counts parameters and text cells too; a person counts code cells.
        raise CellFailed(task.name, _error_words(error.ename, error.evalue), _code_cell(watch)) from error
    except CellTimeoutError as error:
        reason = f"the cell ran longer than {watch.cell_seconds:g} seconds and was ended"
        raise TimedOut(task.name, reason, _code_cell(watch)) from error
    except DeadKernelError as error:
        if watch.past_deadline:
            reason = f"the notebook ran longer than {watch.notebook_seconds:g} seconds and was ended"
            raise TimedOut(task.name, reason, _code_cell(watch)) from error
        raise KernelDied(
            task.name, exit_words(watch.exit_status), _code_cell(watch), exit_status=watch.exit_status
        ) from error
    except RuntimeError as error:
        if watch.started:
            raise
        raise KernelDidNotStart(task.name, str(error).splitlines()[0]) from error
    return executed


def _readable_path(source: Path) -> str:
    """Return a path as papermill wants it, which takes braces for places to fill in."""
    return str(source.resolve()).replace("{", "{{").replace("}", "}}")


def _wrong_parameter(name: str, value: object, known: Mapping[str, Mapping[str, Any]]) -> str | None:
    if name not in known:
        near = nearest(name, known)
        hint = f"; was {near!r} meant?" if near else f"; it has {', '.join(sorted(known)) or 'none'}"
        return f"the notebook has no parameter {name!r}{hint}"
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        return (
            f"{name} = {value!r} is of type {type(value).__name__}; parameters are text or numbers, dates as ISO text"
        )
    default = str(known[name]["default"]).strip()
    expected = known[name]["inferred_type_name"]
    if expected in {"None", "", None}:
        expected = _kind_of_default(default)
    given = type(value).__name__
    if expected in _KINDS and given != expected and not (expected == "float" and given == "int"):
        return f"{name} = {value!r} is not {_KINDS[expected]}"
    return None


def _kind_of_default(default: str) -> str:
    if default[:1] in {"'", '"'}:
        return "str"
    try:
        float(default)
    except ValueError:
        return ""
    return "float" if any(mark in default for mark in ".eE") else "int"


def _code_cell(watch: kernels.Watch) -> int | None:
    """Return the number of the watched cell, counting code cells from 1 without the injected parameters."""
    if watch.notebook is None or watch.cell_index is None:
        return None
    return _code_number(watch.notebook, watch.cell_index)


def _code_number(notebook: NotebookNode, index: int) -> int:
    """Return the number of a cell among the code cells; `index` counts the cells as they were when it ran."""
    # On failure papermill puts marks of its own between the cells.
    cells = [cell for cell in notebook.cells if ERROR_MARKER_TAG not in cell.metadata.get("tags", [])]
    return sum(
        cell.cell_type == "code" and "injected-parameters" not in cell.metadata.get("tags", [])
        for cell in cells[: index + 1]
    )


def _error_words(name: str, value: str) -> str:
    first = next((line.strip() for line in str(value).splitlines() if line.strip()), "")
    words = f"{name}: {first}" if first else name
    return (words if len(words) <= 400 else words[:397] + "…").rstrip(".")


def _check_every_cell_ran(name: str, executed: NotebookNode) -> None:
    """Raise if a code cell holds an error, or never ran although nothing failed."""
    for index, cell in enumerate(executed.cells):
        if cell.cell_type != "code":
            continue
        number = _code_number(executed, index)
        for output in cell.get("outputs", []):
            if output.output_type == "error" and output.ename != "SystemExit":
                raise CellFailed(name, _error_words(output.ename, output.evalue), number)
            if output.output_type == "error":
                raise StoppedEarly(name, "the cell called exit, so the cells after it did not run", number)
        if cell.source.strip() and cell.get("execution_count") is None:
            raise StoppedEarly(name, "the cell never ran although no error was raised", number)


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_mtime_ns, state.st_ino


def _check_deliverables(task: NotebookTask, owed: Sequence[str], before: Mapping[str, tuple[int, int] | None]) -> None:
    for name in owed:
        path = task.out_folder / name
        if not path.is_file():
            raise DeliverableMissing(task.name, f"{name} was not made although every cell ran")
        if path.stat().st_size == 0:
            raise DeliverableMissing(task.name, f"{name} is empty although every cell ran")
        if before[name] is not None and _stamp(path) == before[name]:
            raise DeliverableMissing(task.name, f"{name} is the old one; this run did not make it")


def _merge_streams(cell: NotebookNode) -> None:
    """Join neighbouring pieces of one stream, whose cuts depend on timing."""
    if cell.cell_type != "code":
        return
    merged: list[NotebookNode] = []
    for output in cell.outputs:
        if output.output_type == "stream" and merged and merged[-1].get("name") == output.name:
            merged[-1].text += output.text
        else:
            merged.append(output)
    cell.outputs = merged
