"""Notebooks that misbehave, one each: every one is reported for what it did, in time, and leaves no process behind."""

import contextlib
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import nbformat
import psutil
import pytest

from analysis.review.notebook_failures import (
    CellFailed,
    DeliverableMissing,
    KernelDied,
    NotebookFailure,
    StoppedEarly,
    TimedOut,
    WrongParameter,
)
from analysis.review.notebook_runner import NotebookTask, run_notebook, run_notebooks
from analysis.review.progress import Progress

pytestmark = pytest.mark.timeout(60)

_PARAMETERS = 'season_folder = ""\nmonth = ""\nout_folder = ""\ntimes = 3'
_DELIVER = 'from pathlib import Path\nPath(out_folder, "done.txt").write_text("done")'


def notebook(folder: Path, name: str, *cells: str, owes: tuple[str, ...] = ("done.txt",)) -> Path:
    """Write a notebook of these code cells, with a parameters cell before them."""
    first = nbformat.v4.new_code_cell(_PARAMETERS, metadata={"tags": ["parameters"]})
    made = nbformat.v4.new_notebook(cells=[first, *(nbformat.v4.new_code_cell(cell) for cell in cells)])
    made.metadata = {
        "kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"},
        "language_info": {"name": "python"},
        "pasturepot": {"deliverables": list(owes)},
    }
    path = folder / f"{name}.ipynb"
    nbformat.write(made, path)
    return path


def task(path: Path, **parameters: object) -> NotebookTask:
    out = path.parent / "out"
    out.mkdir(exist_ok=True)
    given = {"out_folder": str(out), **parameters}
    return NotebookTask(path, given, out, out / path.name)  # type: ignore[arg-type]


def outcome_of(
    path: Path, cell_seconds: float = 20.0, notebook_seconds: float = 40.0, **parameters: object
) -> NotebookFailure:
    """Run a notebook that must fail and return the failure; nothing of it is left on disk or running."""
    this = task(path, **parameters)
    with Progress(9, quiet=True) as progress, pytest.raises(NotebookFailure) as caught:
        run_notebook(this, progress, cell_seconds, notebook_seconds)
    assert not this.output.exists()
    assert psutil.Process().children(recursive=True) == []
    return caught.value


def test_a_good_notebook_is_written_without_times_and_random_ids(tmp_path: Path) -> None:
    this = task(notebook(tmp_path, "good", _DELIVER, "print(times)"), times=4)
    with Progress(9, quiet=True) as progress:
        run_notebook(this, progress)
    executed = nbformat.read(this.output, as_version=4)
    assert executed.cells[-1].outputs[0].text == "4\n"
    assert "papermill" not in executed.metadata
    assert [cell.id for cell in executed.cells if "injected-parameters" in cell.metadata.get("tags", [])] == [
        "injected-parameters"
    ]


def test_a_raised_error_names_the_cell_and_the_error(tmp_path: Path) -> None:
    failure = outcome_of(notebook(tmp_path, "raises", _DELIVER, "x = 1", 'raise ValueError("fat of 66 in row 14")'))
    assert type(failure) is CellFailed
    assert (failure.notebook, failure.cell) == ("raises", 4)
    assert "ValueError: fat of 66 in row 14" in failure.reason
    assert "\n" not in str(failure)


def test_an_exit_in_the_middle_is_no_success(tmp_path: Path) -> None:
    failure = outcome_of(notebook(tmp_path, "exits", _DELIVER, "import sys\nsys.exit(0)", "print('never')"))
    assert type(failure) is StoppedEarly
    assert failure.cell == 3


def test_a_kernel_ended_by_a_signal_is_told_from_an_error(tmp_path: Path) -> None:
    failure = outcome_of(notebook(tmp_path, "killed", "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)"))
    assert type(failure) is KernelDied
    assert failure.exit_status == -signal.SIGKILL
    assert "SIGKILL" in failure.reason
    assert failure.cell == 2


def test_a_kernel_that_ends_itself_gives_its_exit_status(tmp_path: Path) -> None:
    failure = outcome_of(notebook(tmp_path, "ends", "import os\nos._exit(7)"))
    assert type(failure) is KernelDied
    assert failure.exit_status == 7


def test_a_cell_that_hangs_is_ended_at_its_deadline(tmp_path: Path) -> None:
    started = time.monotonic()
    failure = outcome_of(notebook(tmp_path, "hangs", "import time\ntime.sleep(300)"), cell_seconds=2)
    assert type(failure) is TimedOut
    assert failure.cell == 2
    assert time.monotonic() - started < 30


def test_a_notebook_past_its_own_deadline_is_ended(tmp_path: Path) -> None:
    cells = [_DELIVER, *["import time\ntime.sleep(2)"] * 20]
    failure = outcome_of(notebook(tmp_path, "slow", *cells), cell_seconds=60, notebook_seconds=3)
    assert type(failure) is TimedOut
    assert "notebook ran longer" in failure.reason


def test_what_a_kernel_started_ends_with_it(tmp_path: Path) -> None:
    start = "import subprocess, sys\nchild = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(300)'])"
    save = 'from pathlib import Path\nPath(out_folder, "child").write_text(str(child.pid))'
    outcome_of(notebook(tmp_path, "orphan", start, save, "raise RuntimeError('and now')"))
    pid = int((tmp_path / "out" / "child").read_text())
    for _ in range(50):
        if not psutil.pid_exists(pid) or psutil.Process(pid).status() == psutil.STATUS_ZOMBIE:
            break
        time.sleep(0.1)
    else:
        pytest.fail(f"process {pid} outlived its kernel")


def test_a_swallowed_error_shows_by_the_missing_result(tmp_path: Path) -> None:
    cell = f"try:\n    raise OSError('disk full')\n    {_DELIVER.splitlines()[0]}\nexcept OSError:\n    pass"
    failure = outcome_of(notebook(tmp_path, "swallows", cell))
    assert type(failure) is DeliverableMissing
    assert "done.txt was not made" in failure.reason


def test_an_error_that_a_tag_allows_is_still_an_error(tmp_path: Path) -> None:
    path = notebook(tmp_path, "allowed", _DELIVER, "1 / 0")
    made = nbformat.read(path, as_version=4)
    made.cells[-1].metadata["tags"] = ["raises-exception"]
    nbformat.write(made, path)
    failure = outcome_of(path)
    assert type(failure) is CellFailed
    assert "ZeroDivisionError" in failure.reason


def test_an_empty_and_an_old_result_are_no_results(tmp_path: Path) -> None:
    empty = outcome_of(notebook(tmp_path, "empty", 'open(out_folder + "/done.txt", "w").close()'))
    assert type(empty) is DeliverableMissing
    assert "empty" in empty.reason
    (tmp_path / "out" / "done.txt").write_text("of yesterday")
    old = outcome_of(notebook(tmp_path, "old", "x = 1"))
    assert type(old) is DeliverableMissing
    assert "old one" in old.reason


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"monht": "2026-05"}, "was 'month' meant?"),
        ({"month": 5}, "is not text"),
        ({"times": "three"}, "is not a whole number"),
        ({"times": True}, "of type bool"),
        ({"month": Path("x")}, "parameters are text or numbers"),
    ],
)
def test_a_wrong_parameter_is_found_before_any_kernel_starts(
    tmp_path: Path, given: dict[str, object], said: str
) -> None:
    started = time.monotonic()
    failure = outcome_of(notebook(tmp_path, "wrong", _DELIVER), **given)
    assert type(failure) is WrongParameter
    assert said in failure.reason
    assert not (tmp_path / "out" / "done.txt").exists()
    assert time.monotonic() - started < 5


def test_one_bad_notebook_leaves_the_others_alone(tmp_path: Path) -> None:
    bad = task(notebook(tmp_path, "bad", "raise KeyError('x')"))
    good = task(notebook(tmp_path, "good", _DELIVER))
    with Progress(9, quiet=True) as progress:
        failures = run_notebooks([bad, good], progress)
    assert [type(failure) for failure in failures] == [CellFailed]
    assert good.output.is_file()


def test_a_user_kernel_of_the_same_name_is_not_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = tmp_path / "data" / "kernels" / "python3"
    kernel.mkdir(parents=True)
    (kernel / "kernel.json").write_text('{"argv": ["false"], "display_name": "other", "language": "python"}')
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path / "data"))
    this = task(notebook(tmp_path, "good", _DELIVER))
    with Progress(9, quiet=True) as progress:
        run_notebook(this, progress)
    assert this.output.is_file()


def test_kernels_end_when_the_run_is_killed(tmp_path: Path) -> None:
    """A SIGKILL of the run itself leaves no kernel running."""
    path = notebook(
        tmp_path,
        "waits",
        'open(out_folder + "/pid", "w").write(str(__import__("os").getpid()))',
        "import time\ntime.sleep(300)",
    )
    (tmp_path / "out").mkdir()
    script = textwrap.dedent(
        f"""
        from pathlib import Path
        from analysis.review.notebook_runner import NotebookTask, run_notebook
        from analysis.review.progress import Progress
        out = Path({str(tmp_path / "out")!r})
        task = NotebookTask(Path({str(path)!r}), {{"out_folder": str(out)}}, out, out / "waits.ipynb")
        run_notebook(task, Progress(3, quiet=True))
        """
    )
    root = Path(__file__).resolve().parents[2]
    run = subprocess.Popen([sys.executable, "-c", script], cwd=root, stderr=subprocess.DEVNULL)
    pid_file = tmp_path / "out" / "pid"
    while not pid_file.exists() or not pid_file.read_text():
        assert run.poll() is None
        time.sleep(0.1)
    kernel = int(pid_file.read_text())
    run.kill()
    run.wait()
    deadline = time.monotonic() + 15
    while psutil.pid_exists(kernel) and psutil.Process(kernel).status() != psutil.STATUS_ZOMBIE:
        if time.monotonic() > deadline:
            with contextlib.suppress(ProcessLookupError):
                os.kill(kernel, signal.SIGKILL)
            pytest.fail("the kernel outlived the run")
        time.sleep(0.2)
    assert not (tmp_path / "out" / "waits.ipynb").exists()
