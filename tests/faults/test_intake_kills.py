"""An intake killed, or refused by the disk, at any of its writes: the season folder is as before or as after."""

import builtins
import errno
import io
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from analysis.cli import main

# Loaded before the forks, which then need not load them each time.
from analysis.intake import child, ledger, plan, preview, reading  # noqa: F401
from analysis.records.season import read_season
from analysis.records.together import is_interrupted
from tests.intake_corpus.season import make_season

FILES = {
    "milk.csv": "Sample no;Date sampled;Date reported;Description;Fat %;Protein "
    "%\nA1;13.05.2026;15.05.2026;Bulk tank;6,50;5,40\nA2;20.05.2026;22.05.2026;North flock;6,61;5,52\n",
    "pots.csv": "Sample no,Production date,Sampling date,Pots in composite,Fat (g/100 g),Salt (g/100 "
    "g)\nP1,2026-05-12,2026-05-14,6,6.71,0.14\n",
    "vats.csv": "Batch,Made on,Milk kg,Heat °C,Hold min,Incubator °C\nV1,2026-05-12,140,90,60,44\n",
}


@pytest.fixture
def here(monkeypatch, tmp_path):
    """Read files in this process, so that a fork has all it needs."""
    monkeypatch.setattr(os, "fsync", lambda descriptor: None)
    monkeypatch.setattr(reading, "_in_child", lambda path, page, memory, seconds: child.read(path, page or None))
    # Once here, so that every fork finds the words and schemas read.
    (tmp_path / "first").mkdir()
    main(["intake", str(make_season(tmp_path / "first" / "season")), *_box(tmp_path / "first")])


def _box(folder: Path) -> list[str]:
    box = folder / "box"
    box.mkdir()
    for name, text in FILES.items():
        (box / name).write_text(text, encoding="utf-8")
    return [str(box / name) for name in FILES]


def _snapshot(season: Path) -> dict[str, bytes]:
    """What stands in the folder, but for the lock and the time of day."""
    found = {}
    for path in sorted(season.rglob("*")):
        if path.is_file() and path.name != ".lock":
            found[str(path.relative_to(season))] = re.sub(rb"\d{4}-\d\d-\d\dT[\d:]+Z", b"NOW", path.read_bytes())
    return found


class _Fault:
    """Counts calls that change a disk and does something at the n-th."""

    def __init__(self, at: int, do: Callable[[], None]) -> None:
        self.at, self.do, self.count = at, do, 0

    def step(self) -> None:
        self.count += 1
        if self.count == self.at:
            self.do()

    def install(self) -> None:
        # Ending a process loses nothing that was written, synced or not, and real syncs would take minutes here.
        os.fsync = self._wrapped(lambda descriptor: None)
        for name in ("replace", "rename", "mkdir", "unlink", "rmdir", "chmod"):
            setattr(os, name, self._wrapped(getattr(os, name)))
        for name in ("mkstemp", "mkdtemp"):
            setattr(tempfile, name, self._wrapped(getattr(tempfile, name)))
        real = io.open

        def opened(file, mode="r", *args, **named):
            if any(c in mode for c in "wax+"):
                self.step()
            return real(file, mode, *args, **named)

        io.open = builtins.open = opened

    def _wrapped(self, real):
        def called(*args, **named):
            self.step()
            return real(*args, **named)

        return called


def _hush() -> None:
    sys.stdout = sys.stderr = Path(os.devnull).open("w", encoding="utf-8")


def _in_fork(work: Callable[[], int]) -> int:
    """Run ``work`` in a fork and return its exit status (137 where it was killed)."""
    pid = os.fork()
    if pid == 0:
        status = 99
        try:
            _hush()
            status = work()
        finally:
            os._exit(status)
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status)


def _run_with_fault(words: list[str], at: int, do: Callable[[], None]) -> int:
    def work() -> int:
        fault = _Fault(at, do)
        fault.install()
        status = main(words)
        return status if fault.count >= at else 100

    return _in_fork(work)


def _refuse() -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _walk(
    make: Callable[[], Path],
    words: Callable[[Path], list[str]],
    do: Callable[[], None],
    check: Callable[[Path, int, int], None],
) -> int:
    """Try the fault at the 1st, 2nd, 3rd … call until a run gets by without it; return the number of places tried."""
    for at in range(1, 2000):
        season = make()
        status = _run_with_fault(words(season), at, do)
        if status == 100:
            return at - 1
        check(season, at, status)
    raise AssertionError("the run never ends")


@pytest.mark.parametrize(
    ("step", "fault"),
    [
        pytest.param("bring in", "killed", marks=pytest.mark.slow),
        pytest.param("bring in", "disk full", marks=pytest.mark.slow),
        ("take back", "killed"),
        ("take back", "disk full"),
    ],
)
def test_any_write_may_be_the_last(fault, step, tmp_path, here, monkeypatch):
    files = [_box(tmp_path)[0], str(tmp_path / "box" / "vats.csv")]
    number = iter(range(10_000))
    if step == "take back":
        whole = make_season(tmp_path / "whole")
        assert _in_fork(lambda: main(["intake", str(whole), *files])) == 0

    def make() -> Path:
        season = tmp_path / f"s{next(number)}"
        if step == "bring in":
            return make_season(season)
        shutil.copytree(whole, season)
        return season

    words = (
        (lambda s: ["intake", str(s), *files])
        if step == "bring in"
        else (lambda s: ["intake", str(s), "--undo", "I0001"])
    )
    before = _snapshot(make())
    done = make()
    assert _in_fork(lambda: main(words(done))) == 0
    after = _snapshot(done)
    assert before != after
    seen = {"before": 0, "after": 0}

    def check(season: Path, at: int, status: int) -> None:
        assert status == (137 if fault == "killed" else 2) or (fault == "disk full" and status == 0), (at, status)
        read_season(season)  # whoever opens the folder next finishes what had been begun
        assert not is_interrupted(season)
        names = {n for n in _snapshot(season) if ".part" not in n}
        found = {n: d for n, d in _snapshot(season).items() if n in names}
        assert found in (before, after), f"between the two after call {at}"
        seen["before" if found == before else "after"] += 1
        if fault == "disk full" and found == before:
            assert not [n for n in _snapshot(season) if ".part" in n], f"half-written files after call {at}"
        # and the next run of the same words does what the first was to do, or finds it done
        if at % 3 == 0:
            again = _in_fork(lambda: main(words(season)))
            assert again == 0 or (step == "take back" and found == after and again == 2)
            assert _snapshot(season) == after
        shutil.rmtree(season)

    places = _walk(make, words, (lambda: os._exit(137)) if fault == "killed" else _refuse, check)
    assert places > 20
    assert seen["before"] > 5
    assert seen["after"] > 5


@pytest.mark.slow
def test_killed_at_random_times(tmp_path, here):
    files = _box(tmp_path)
    rng = random.Random(7)
    done = make_season(tmp_path / "done")
    before = _snapshot(done)
    start = time.perf_counter()
    assert _in_fork(lambda: main(["intake", str(done), *files])) == 0
    took = time.perf_counter() - start
    after = _snapshot(done)
    for trial in range(30):
        season = make_season(tmp_path / f"t{trial}")
        pid = os.fork()
        if pid == 0:
            _hush()
            os._exit(main(["intake", str(season), *files]))
        time.sleep(rng.random() * took)
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        read_season(season)
        found = {n: d for n, d in _snapshot(season).items() if ".part" not in n}
        assert found in (before, after)


def test_two_runs_at_once_wait_for_one_another(tmp_path, here):
    season = make_season(tmp_path / "season")
    files = _box(tmp_path)
    pids = []
    for file in files:
        pid = os.fork()
        if pid == 0:
            _hush()
            os._exit(main(["intake", str(season), file]))
        pids.append(pid)
    assert [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids] == [0, 0, 0]
    ledger = (season / "intake" / "ledger.csv").read_text().splitlines()
    assert [line.split(",")[0] for line in ledger[1:]] == ["I0001", "I0002", "I0003"]
    tables = {"milk_tests.csv": 2, "pot_tests.csv": 1, "batches.csv": 1}
    assert {name: len((season / name).read_text().splitlines()) - 1 for name in tables} == tables


def test_a_run_says_that_another_one_is_writing(tmp_path, here, monkeypatch, capsys):
    from filelock import FileLock

    from analysis.records import together

    season = make_season(tmp_path / "season")
    (season / "intake").mkdir()
    monkeypatch.setattr(together, "WAIT", 0.1)
    with FileLock(season / together.LOCK):
        assert main(["intake", str(season), _box(tmp_path)[0]]) == 2
    assert "another run is writing" in capsys.readouterr().err
