"""A kernel of its own for each notebook, and nothing of it left behind.

papermill runs the notebook; this engine for it gives each kernel a short fresh folder with its sockets and its
settings, watches the whole notebook's deadline, and keeps what papermill forgets: how the process ended.
"""

import contextlib
import os
import shutil
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from jupyter_client.kernelspec import KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient.exceptions import DeadKernelError
from nbformat import NotebookNode
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import NBClientEngine, NotebookExecutionManager, papermill_engines
from traitlets.config import Config

ENGINE = "pasturepot"

# A socket's path must stay below about 100 characters (sun_path in unix(7) holds 108 bytes).
_LONGEST_SOCKET_FOLDER = 70


@dataclass
class Watch:
    """What one run of a notebook is seen doing, filled while it runs.

    Attributes
    ----------
    on_cell
        Called with the number of cells done after each cell.
    cell_seconds, notebook_seconds
        Deadlines of one cell and of the whole notebook.
    environment
        Added to the kernel's environment.
    notebook
        The notebook being run, with the outputs so far.
    cell_index
        Index of the cell being run or run last.
    exit_status
        How the kernel's process ended, where it ended by itself.
    past_deadline
        Whether the whole notebook's deadline ended it.
    started
        Whether the kernel answered.
    """

    on_cell: Callable[[int], None]
    cell_seconds: float
    notebook_seconds: float
    environment: Mapping[str, str] = field(default_factory=dict)
    notebook: NotebookNode | None = None
    cell_index: int | None = None
    exit_status: int | None = None
    past_deadline: bool = False
    started: bool = False
    process_group: int | None = field(default=None, repr=False)


@contextlib.contextmanager
def kernel_folder() -> Iterator[Path]:
    """Give a fresh folder with a short path that is gone afterwards."""
    root = None if len(tempfile.gettempdir()) <= _LONGEST_SOCKET_FOLDER - 20 else "/tmp"  # noqa: S108 - only for length
    folder = Path(tempfile.mkdtemp(prefix="pp", dir=root))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


class _Manager(NotebookExecutionManager):  # type: ignore[misc]
    """Reports each cell to the watch; writes nothing, since a half-run notebook on disk looks like a whole one."""

    def __init__(self, notebook: NotebookNode, watch: Watch) -> None:
        super().__init__(notebook, output_path=None, progress_bar=False, autosave_cell_every=0)
        self.watch = watch
        watch.notebook = notebook
        self._done = 0

    def cell_start(self, cell: NotebookNode, cell_index: int | None = None, **kwargs: Any) -> None:
        """Remember which cell runs."""
        self.watch.started = True
        self.watch.cell_index = cell_index
        super().cell_start(cell, cell_index, **kwargs)

    def cell_complete(self, cell: NotebookNode, cell_index: int | None = None, **kwargs: Any) -> None:
        """Report that one more cell is done."""
        super().cell_complete(cell, cell_index, **kwargs)
        self._done += 1
        self.watch.on_cell(self._done)


class _Client(PapermillNotebookClient):  # type: ignore[misc]
    """Runs the cells under both deadlines."""

    def create_kernel_manager(self) -> AsyncKernelManager:
        """Use the kernel of the Python that runs us, whatever kernels a user's folders hold."""
        manager = AsyncKernelManager(
            kernel_name="python3", config=self.config, kernel_spec_manager=KernelSpecManager(kernel_dirs=[])
        )
        self.km = manager
        return manager

    def papermill_execute_cells(self) -> None:
        """Run the cells; end the kernel at the notebook's deadline and keep how its process ended."""
        watch: Watch = self.nb_man.watch
        process = getattr(getattr(self.km, "provisioner", None), "process", None)
        watch.process_group = getattr(process, "pid", None)

        def end() -> None:
            watch.past_deadline = True
            end_process_group(watch.process_group)

        timer = threading.Timer(watch.notebook_seconds, end)
        timer.daemon = True
        timer.start()
        try:
            super().papermill_execute_cells()
        except DeadKernelError:
            watch.exit_status = None if process is None else process.poll()
            raise
        finally:
            timer.cancel()


class Engine(NBClientEngine):  # type: ignore[misc]
    """papermill's own engine with our manager and client."""

    @classmethod
    def execute_notebook(
        cls,
        nb: NotebookNode,
        kernel_name: str,
        *_options: Any,
        **kwargs: Any,
    ) -> NotebookNode:
        """Run a parametrised notebook; `watch` among the keywords is filled on the way."""
        watch: Watch = kwargs.pop("watch")
        manager = _Manager(nb, watch)
        manager.notebook_start()
        with kernel_folder() as folder:
            client = _Client(
                manager,
                kernel_name=kernel_name,
                timeout=max(1, round(watch.cell_seconds)),
                startup_timeout=kwargs.get("start_timeout", 60),
                record_timing=False,
                config=_kernel_config(folder),
            )
            try:
                # An empty working directory: nothing that lies about can be imported by mistake.
                (folder / "w").mkdir()
                with (folder / "said").open("wb") as said:  # the kernel's own log, of no interest to a person
                    client.execute(
                        env=_kernel_environment(folder, watch.environment),
                        cwd=str(folder / "w"),
                        stdout=said,
                        stderr=said,
                    )
            finally:
                end_process_group(watch.process_group)
        manager.notebook_complete()
        return nb


papermill_engines.register(ENGINE, Engine)


def end_process_group(group: int | None) -> None:
    """End a kernel and everything that it started; nothing happens if it is gone."""
    if group is None or not hasattr(os, "killpg"):
        return
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(group, signal.SIGKILL)


def _kernel_config(folder: Path) -> Config:
    """Sockets in a folder of the kernel's own: no port can be taken by someone else.

    Named pipes of this kind do not exist on Windows, where the kernel keeps to its ports.
    """
    settings: dict[str, Any] = {"connection_file": str(folder / "k.json")}
    if sys.platform != "win32":
        settings |= {"transport": "ipc", "ip": str(folder / "k")}
    return Config({"KernelManager": settings})


def _kernel_environment(folder: Path, more: Mapping[str, str]) -> dict[str, str]:
    """Return the environment of a kernel: ours, with settings folders of its own and one thread of linear algebra."""
    home = Path(__file__).resolve().parents[2]
    path = os.pathsep.join(part for part in (str(home), os.environ.get("PYTHONPATH", "")) if part)
    return {
        **os.environ,
        "PYTHONPATH": path,
        "PYTHONHASHSEED": "0",
        "PYTHONDONTWRITEBYTECODE": os.environ.get("PYTHONDONTWRITEBYTECODE", ""),
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        "IPYTHONDIR": str(folder / "ipython"),
        "JUPYTER_RUNTIME_DIR": str(folder / "runtime"),
        "MPLCONFIGDIR": str(folder / "matplotlib"),
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        **more,
    }
