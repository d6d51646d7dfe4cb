"""Progress on stderr: which notebook runs and how long is left."""

import sys
import threading
from types import TracebackType
from typing import Self

from tqdm import tqdm

from analysis.review import kernels


class Progress:
    """One line for the whole run: the notebooks that run, cells done, and the time left.

    Parameters
    ----------
    cells
        Cells to run in all.
    quiet
        Say nothing. Nothing is said either where stderr is no terminal.
    """

    def __init__(self, cells: int, *, quiet: bool = False) -> None:
        self._lock = threading.Lock()
        self._running: dict[str, kernels.Watch | None] = {}
        self._bar = tqdm(
            total=cells,
            file=sys.stderr,
            disable=quiet or not sys.stderr.isatty(),
            desc="starting",
            unit="cell",
            leave=False,
            bar_format="{desc}  {bar:24} {n_fmt}/{total_fmt} cells, about {remaining} left",
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.close()

    def step(self, words: str) -> None:
        """Name a step that is no notebook."""
        self._bar.set_description_str(words)

    def notebook_starts(self, name: str, watch: kernels.Watch | None = None) -> None:
        """Show that a notebook runs."""
        with self._lock:
            self._running[name] = watch
            self._show()

    def cell_done(self, name: str) -> None:
        """Count one cell of a running notebook."""
        with self._lock:
            if name in self._running:
                self._bar.update(1)

    def notebook_ends(self, name: str) -> None:
        """Show that a notebook runs no more."""
        with self._lock:
            self._running.pop(name, None)
            self._show()

    def end_all_kernels(self) -> None:
        """End the kernels of every running notebook at once, after an interrupt."""
        with self._lock:
            for watch in self._running.values():
                if watch is not None:
                    kernels.end_process_group(watch.process_group)

    def _show(self) -> None:
        if self._running:
            self._bar.set_description_str(", ".join(sorted(self._running)))
