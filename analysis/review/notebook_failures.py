"""What can go wrong with a notebook, told apart.

::

    NotebookFailure
    ├── WrongParameter      found before a kernel starts
    ├── KernelDidNotStart   no answer from a fresh kernel
    ├── CellFailed          a cell raised an error
    ├── KernelDied          the process ended: a signal, out of memory
    ├── TimedOut            a cell, or the whole notebook, ran past its deadline
    ├── StoppedEarly        no error, yet some cells never ran (`sys.exit`, a swallowed stop)
    └── DeliverableMissing  every cell ran, yet what the notebook owes is not there

Each carries its parts; the sentence is made in one place.
"""

import signal
from typing import ClassVar

from analysis.records.findings import CannotDo


class NotebookFailure(CannotDo):
    """A notebook did not do its work.

    Parameters
    ----------
    notebook
        Name of the notebook, such as ``02_milk_season``.
    reason
        What happened, a clause without a full stop.
    cell
        Number of the code cell as JupyterLab would count it from 1; None before any cell ran.
    advice
        What to do; the class has a default.
    """

    kind: ClassVar[str] = "failed"
    default_advice: ClassVar[str] = "Open the notebook in JupyterLab with the same parameters and run it cell by cell"

    def __init__(self, notebook: str, reason: str, cell: int | None = None, advice: str | None = None) -> None:
        self.notebook = notebook
        self.reason = reason
        self.cell = cell
        self.advice = advice or self.default_advice
        super().__init__(self.sentence())

    def __reduce__(self) -> tuple[type["NotebookFailure"], tuple[str, str, int | None, str]]:
        """Survive pickling, so that a failure can cross processes with its parts."""
        return (type(self), (self.notebook, self.reason, self.cell, self.advice))

    def sentence(self) -> str:
        """Return the one line that a person reads: notebook, cell, reason, what to do."""
        where = f"{self.notebook}.ipynb" + (f", code cell {self.cell}" if self.cell is not None else "")
        return f"{where}: {self.kind}: {self.reason}. {self.advice}."


class WrongParameter(NotebookFailure):
    """A parameter that the notebook does not have, or of a kind that it does not take."""

    kind = "wrong parameter"
    default_advice = "Give the parameters that stand in the notebook's cell tagged 'parameters'"


class KernelDidNotStart(NotebookFailure):
    """A fresh kernel gave no answer."""

    kind = "the kernel did not start"
    default_advice = "Check that ipykernel is installed beside pasturepot and that the temporary folder is writable"


class CellFailed(NotebookFailure):
    """A cell raised an error."""

    kind = "a cell failed"


class KernelDied(NotebookFailure):
    """The kernel's process ended while a cell ran.

    Attributes
    ----------
    exit_status
        As subprocess gives it: negative for a signal; None where it is not known.
    """

    kind = "the kernel died"
    default_advice = (
        "Free memory or close other programs and run the review again; if it dies again, run the notebook by itself"
    )

    def __init__(
        self,
        notebook: str,
        reason: str,
        cell: int | None = None,
        advice: str | None = None,
        exit_status: int | None = None,
    ) -> None:
        self.exit_status = exit_status
        super().__init__(notebook, reason, cell, advice)

    def __reduce__(self) -> tuple[type[NotebookFailure], tuple[str, str, int | None, str]]:
        """Survive pickling with the exit status."""
        return (type(self), (self.notebook, self.reason, self.cell, self.advice, self.exit_status))  # type: ignore[return-value]


class TimedOut(NotebookFailure):
    """A cell or the whole notebook ran past its deadline."""

    kind = "timed out"
    default_advice = "Run the review again when the machine is less busy; if it hangs again, run the notebook by itself"


class StoppedEarly(NotebookFailure):
    """Some code cells never ran although no error was raised."""

    kind = "stopped early"


class DeliverableMissing(NotebookFailure):
    """A file that the notebook declares was not made, is old or is empty."""

    kind = "a result is missing"


class SeveralFailures(CannotDo):
    """More than one notebook failed; the others ran to their end.

    Attributes
    ----------
    failures
        One for each notebook that failed, in the order of the notebooks.
    """

    def __init__(self, failures: list[NotebookFailure]) -> None:
        self.failures = failures
        super().__init__(" | ".join(failure.sentence() for failure in failures))

    def __reduce__(self) -> tuple[type["SeveralFailures"], tuple[list[NotebookFailure]]]:
        """Survive pickling with the failures."""
        return (type(self), (self.failures,))


def exit_words(exit_status: int | None) -> str:
    """Say in words how a process ended.

    Parameters
    ----------
    exit_status
        As subprocess gives it: negative for a signal, None where it is not known.
    """
    if exit_status is None:
        return "its process ended and left no exit status"
    if exit_status < 0:
        try:
            name = signal.Signals(-exit_status).name
        except ValueError:
            name = f"signal {-exit_status}"
        memory = ", as the system does when memory runs out" if name == "SIGKILL" else ""
        return f"its process was ended by {name}{memory}"
    return f"its process ended with exit status {exit_status}"
