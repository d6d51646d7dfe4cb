"""``pasturepot intake``: bring lab files in, look what would happen, or take an intake back."""

import argparse
import datetime as dt
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.intake.plan import FilePlan, Said, Standing
    from analysis.intake.reading import LabFile

_EXAMPLE = """example:
  pasturepot intake my-dairy results-may.xlsx --dry-run     what would happen
  pasturepot intake my-dairy results-may.xlsx               a preview, a question, then it is written
  pasturepot intake my-dairy --undo I0007                   take an intake back whole
  pasturepot intake my-dairy --list                         what has been brought in

exit status: 0 done; 1 done, and rows were set aside; 2 could not be done"""


def add_parser(commands: Any) -> None:
    """Add the command to ``pasturepot``."""
    parser = commands.add_parser(
        "intake",
        help="bring lab files in",
        description="Bring lab and spreadsheet files into the records. "
        "What cannot be decided is asked on a terminal, and refused elsewhere.",
        epilog=_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="season folder of a dairy, the one with dairy.toml")
    parser.add_argument(
        "files", metavar="FILE", type=Path, nargs="*", help="CSV or text, xlsx, xls, ods, or a PDF with a table in text"
    )
    parser.add_argument("--dry-run", action="store_true", help="show what would happen and write nothing")
    parser.add_argument("--yes", action="store_true", help="write without asking; what cannot be decided is refused")
    parser.add_argument("--undo", metavar="ID", help="take an intake back whole")
    parser.add_argument("--list", action="store_true", help="list what has been brought in")
    parser.add_argument("--lab", metavar="NAME", help="the laboratory, where the file does not name it")
    parser.add_argument("--kind", choices=("milk", "pot"), help="what the samples are, where the file does not say")
    parser.add_argument("--source", metavar="ID", help="a flock's id, or bulk, where the file does not say")
    parser.add_argument(
        "--method", choices=("infrared", "reference"), help="how it was measured, where the file does not say"
    )
    parser.add_argument(
        "--reported-on", metavar="DAY", type=_day, help="day of the report (2026-05-12), where the file does not say"
    )
    parser.add_argument("--density", metavar="G_ML", type=_density, help="density for results by volume, g/ml")
    parser.add_argument(
        "--code-page", metavar="NAME", help="code page of a text file that is not UTF-8, such as cp1252"
    )
    order = parser.add_mutually_exclusive_group()
    order.add_argument(
        "--day-first", action="store_const", const="day first", dest="order", help="03/04 is the 3rd of April"
    )
    order.add_argument(
        "--month-first", action="store_const", const="month first", dest="order", help="03/04 is the 4th of March"
    )
    mark = parser.add_mutually_exclusive_group()
    mark.add_argument(
        "--decimal-comma", action="store_const", const=",", dest="mark", help="1,234 is a little over one"
    )
    mark.add_argument("--decimal-point", action="store_const", const=".", dest="mark", help="1,234 is over a thousand")
    parser.add_argument(
        "--column", metavar="HEADING=MEANS", action="append", default=[], type=_column,
        help='what a column is: "Fett=fat;g/100g", or "Fett=ignore"; may be given again',
    )  # fmt: skip
    parser.set_defaults(run=run)


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}" is no day; write it as 2026-05-12') from None


def _density(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.9 <= value <= 1.2:
        raise argparse.ArgumentTypeError(f'"{text}" is no density in g/ml; milk has about 1.03')
    return value


def _column(text: str) -> tuple[str, str, str]:
    heading, sign, rest = text.rpartition("=")
    means, _, unit = rest.partition(";")
    if not sign or not heading.strip() or not means.strip():
        raise argparse.ArgumentTypeError(f'"{text}" is not HEADING=MEANS, such as "Fett=fat;g/100g"')
    return heading.strip(), means.strip().casefold().replace(" ", "_"), unit.strip()


def run(args: argparse.Namespace) -> int:
    """Carry the command out; CannotDo says in one line why it could not be done."""
    from analysis.records.findings import CannotDo
    from analysis.records.together import finish_interrupted

    folder: Path = args.folder
    if finish_interrupted(folder):
        print("an earlier intake had been stopped while it wrote; it has been finished first", file=sys.stderr)
    if args.list:
        return _list(folder)
    if args.undo is not None:
        if args.files:
            raise CannotDo("--undo takes no files; take the intake back first, then bring files in")
        return _undo(folder, args.undo, write=not args.dry_run)
    if not args.files:
        raise CannotDo("no file is named; `pasturepot intake --help` shows examples")
    return _bring_in(folder, args)


def _said(args: argparse.Namespace) -> "Said":
    from analysis.intake.labs import Kept, key_of
    from analysis.intake.plan import Said
    from analysis.intake.units import TARGETS, take_apart
    from analysis.intake.words import meanings
    from analysis.records.findings import CannotDo, did_you_mean

    columns = {}
    for heading, means, unit in args.column:
        if means != "ignore" and means not in meanings():
            raise CannotDo(
                f'--column: "{means}" is nothing that the records know; {did_you_mean(means, [*meanings(), "ignore"])}'
            )
        code = unit
        if unit and means in TARGETS:
            code = take_apart(f"x {unit}").unit or unit
        columns[key_of(heading)] = Kept(heading, means, code)
    return Said(
        lab=args.lab, kind=args.kind or "", source=args.source or "", method=args.method or "", order=args.order or "",
        mark=args.mark or "", density=args.density, reported_on=args.reported_on, code_page=args.code_page or "",
        columns=columns,
    )  # fmt: skip


def _bring_in(folder: Path, args: argparse.Namespace) -> int:
    from analysis.intake.plan import read_standing
    from analysis.records.findings import CannotDo
    from analysis.records.together import alone, clear_leftovers

    said = _said(args)
    before = _signature(folder)
    standing = read_standing(folder)
    sources = [*(flock for flock, _ in standing.flocks), "bulk"]
    if said.source and said.source not in sources:
        raise CannotDo(f'--source "{said.source}" is no flock of dairy.toml; expected one of {", ".join(sources)}')
    jobs, trouble, idle = _read(args.files, standing, said)
    interactive = sys.stdin.isatty() and sys.stdout.isatty() and not args.yes
    plans, refused = _plans(standing, jobs)
    if interactive and not args.dry_run:
        standing, plans, refused = _ask(standing, jobs, plans, refused)
    ready = [plan for plan in plans if not plan.questions]
    _say(plans, [*trouble, *refused], args, interactive=interactive)
    trouble += [*refused, *(plan.path.name for plan in plans if plan.questions)]
    if not ready:
        return (1 if idle else 2) if trouble else 0
    if args.dry_run:
        print("nothing has been written (--dry-run)")
    else:
        if interactive and input("Write this? [y/N] ").strip().casefold() not in ("y", "yes"):
            print("nothing has been written")
            return 0
        with alone(folder):
            clear_leftovers(folder)
            if _signature(folder) != before:
                standing, ready = _anew(folder, ready, jobs)
            _write(standing, ready)
    aside = any(fate.fate == "set aside" for plan in ready for fate in plan.fates)
    return 1 if aside or trouble else 0


class _Job:
    """One file on its way in: what was read of it, its hash, and what was said for it."""

    def __init__(self, found: "LabFile", sha256: str, said: "Said") -> None:
        self.found = found
        self.sha256 = sha256
        self.said = said


def _read(paths: Sequence[Path], standing: "Standing", said: "Said") -> tuple[list[_Job], list[str], int]:
    """Return (files read, why others could not be, number that are in already)."""
    from analysis.intake.container import FileRefusedError
    from analysis.intake.ledger import already_in, read_ledger
    from analysis.intake.plan import read_file

    entries = read_ledger(standing.folder)
    jobs: list[_Job] = []
    trouble: list[str] = []
    idle = 0
    for path in paths:
        try:
            found, sha256 = read_file(path, standing, said)
        except FileRefusedError as why:
            trouble.append(f"{path.name}: {why}")
            continue
        entry = already_in(entries, sha256)
        if entry is not None or any(job.sha256 == sha256 for job in jobs):
            who = entry.id if entry is not None else "named twice"
            print(f"{path.name}: this very file is in already ({who}); nothing to do")
            idle += 1
        else:
            jobs.append(_Job(found, sha256, said))
    return jobs, trouble, idle


def _plans(standing: "Standing", jobs: Sequence[_Job]) -> "tuple[list[FilePlan], list[str]]":
    """Plan each file on what the ones before it leave; return the plans and why others cannot be planned."""
    from analysis.intake.plan import plan_file
    from analysis.records.findings import CannotDo

    plans: list[FilePlan] = []
    refused: list[str] = []
    for job in jobs:
        try:
            plan = plan_file(job.found, job.sha256, standing, job.said)
        except CannotDo as why:
            refused.append(f"{job.found.path.name}: {why}")
            continue
        plans.append(plan)
        if not plan.questions and (plan.lab.name or plan.lab.columns):
            standing.labs[plan.lab.name] = plan.lab
    return plans, refused


def _ask(
    standing: "Standing", jobs: Sequence[_Job], plans: "list[FilePlan]", refused: list[str]
) -> "tuple[Standing, list[FilePlan], list[str]]":
    """Ask what is open until nothing is, planning anew after each answer; return also what the last plans stand on."""
    from analysis.intake.plan import read_standing

    by_file = {job.sha256: job for job in jobs}
    for _ in range(60):
        asked = False
        for plan in plans:
            job = by_file[plan.sha256]
            if job.said.lab is None and not plan.lab.name and not _names_labs(plan):
                answer = input(f"{plan.path.name}: which laboratory is it from (empty: not known)? ").strip()
                job.said = replace(job.said, lab=answer)
                asked = True
            elif plan.questions:
                job.said = _answered(plan, job.said)
                asked = True
        if not asked:
            break
        standing = read_standing(standing.folder)
        plans, refused = _plans(standing, jobs)
    return standing, plans, refused


def _names_labs(plan: "FilePlan") -> bool:
    return any(fate.candidate.values.get("lab") for fate in plan.fates) or all(
        u.family != "lab" for _, u in plan.tables
    )


def _answered(plan: "FilePlan", said: "Said") -> "Said":
    """Ask the first open question of a file and return what is said for it from then on."""
    from analysis.intake.labs import Kept, key_of
    from analysis.intake.words import meanings

    question = plan.questions[0]
    choices = f" [{' / '.join(question.choices)}]" if question.choices else ""
    while True:
        answer = input(f"{plan.path.name}: {question.text}{choices} ").strip()
        free = question.key.startswith("column:") and answer.partition(";")[0] in {*meanings(), "ignore"}
        if question.choices and answer not in question.choices and not free:
            fitting = [choice for choice in question.choices if answer and choice.startswith(answer)]
            if len(fitting) != 1:
                continue
            answer = fitting[0]
        if answer:
            break
    if question.key == "days":
        return replace(said, order=answer)
    if question.key == "mark":
        return replace(said, mark=answer)
    if question.key == "kind":
        return replace(said, kind=answer)
    if question.key == "source":
        return replace(said, source=answer)
    if question.key == "sampled_on":
        return replace(said, columns={**said.columns, key_of(answer): Kept(answer, "sampled_on")})
    heading = question.key.partition(":")[2]
    columns = dict(said.columns)
    if answer in question.choices and any(answer == c.heading for _, u in plan.tables for c in u.columns):
        # two columns could be one thing: those that were not chosen are left out
        for other in question.choices:
            if other != answer:
                columns[key_of(other)] = Kept(other, "ignore")
    else:
        means, _, unit = answer.partition(";")
        columns[key_of(heading)] = Kept(heading, means, unit)
    return replace(said, columns=columns)


def _say(plans: "Sequence[FilePlan]", trouble: Sequence[str], args: argparse.Namespace, *, interactive: bool) -> None:
    """Print the previews, then in one line each what is refused."""
    from analysis.intake.preview import preview, questions

    shown = args.dry_run or interactive
    for plan in plans:
        if shown:
            print(preview(plan))
        if not plan.questions and not plan.lab.name and not _names_labs(plan):
            print(
                f"{plan.path.name}: no laboratory is named; say --lab NAME, so that corrections find their result",
                file=sys.stderr,
            )
    for line in trouble:
        print(f"pasturepot: {line}", file=sys.stderr)
    for plan in plans:
        if plan.questions:
            asked = questions(plan)
            more = f", and {len(asked) - 1} more to settle" if len(asked) > 1 else ""
            print(f"pasturepot: {plan.path.name}: {asked[0]}{more}", file=sys.stderr)


def _signature(folder: Path) -> list[tuple[str, int, int]]:
    """Return what shows that another run has written in the meantime."""
    files = [
        *folder.glob("*.csv"),
        *folder.glob("*.toml"),
        *folder.glob("intake/*.csv"),
        *folder.glob("intake/**/*.toml"),
    ]
    return sorted((str(path), path.stat().st_mtime_ns, path.stat().st_size) for path in files)


def _anew(folder: Path, plans: "list[FilePlan]", jobs: Sequence[_Job]) -> "tuple[Standing, list[FilePlan]]":
    """Work the plans out anew, without a further question, on what another run has written in the meantime."""
    from analysis.intake.ledger import already_in, read_ledger
    from analysis.intake.plan import read_standing

    entries = read_ledger(folder)
    wanted = {plan.sha256 for plan in plans}
    standing = read_standing(folder)
    fresh = [job for job in jobs if job.sha256 in wanted and already_in(entries, job.sha256) is None]
    plans, refused = _plans(standing, fresh)
    for line in refused:
        print(f"pasturepot: {line}", file=sys.stderr)
    return standing, [plan for plan in plans if not plan.questions]


def _write(standing: "Standing", plans: "list[FilePlan]") -> None:
    """Write the plans and say what became of each file."""
    from analysis.intake.labs import read_labs
    from analysis.intake.ledger import put, read_ledger
    from analysis.intake.preview import reason

    if not plans:
        print("another run has brought the same in meanwhile; nothing to do")
        return
    now = dt.datetime.now(dt.UTC)
    entries = read_ledger(standing.folder)
    for entry, plan in zip(put(plans, standing, entries, now, read_labs(standing.folder)), plans, strict=True):
        v = entry.values
        print(
            f"{v['file']}: {entry.id}: {v['rows']} rows: {v['new']} new, {v['corrected']} corrected, "
            f"{v['known']} known, {v['set_aside']} set aside"
        )
        for fate in plan.fates:
            if fate.fate == "set aside":
                print(f"  {plan.path.name} {reason(fate)}", file=sys.stderr)


def _list(folder: Path) -> int:
    from analysis.intake.ledger import read_ledger

    for entry in read_ledger(folder):
        v = entry.values
        print(
            f"{entry.id}  {v['came_at']}  {v['file']}  {v['lab'] or '-'}  {v['rows']} rows: {v['new']} new, "
            f"{v['corrected']} corrected, "
            f"{v['known']} known, {v['set_aside']} set aside  {'' if entry.is_in else v['state']}".rstrip()
        )
    return 0


def _undo(folder: Path, identity: str, *, write: bool) -> int:
    from analysis.intake.ledger import take_back
    from analysis.intake.plan import read_standing
    from analysis.records.findings import CannotDo
    from analysis.records.together import alone, clear_leftovers

    if not (folder / "intake" / "ledger.csv").is_file():
        if not folder.is_dir():
            raise CannotDo(f"there is no folder {folder}; name a season folder")
        raise CannotDo(f"nothing has been brought into {folder} yet, so nothing can be taken back")
    read_standing(folder)
    today = dt.datetime.now(dt.UTC).date()
    if write:
        with alone(folder):
            clear_leftovers(folder)
            done = take_back(folder, identity, today, write=True)
    else:
        done = take_back(folder, identity, today, write=False)
    out = ", ".join(f"{n} rows out of {name}.csv" for name, n in sorted(done.out.items())) or "no rows to take out"
    print(
        f"{done.entry.id} ({done.entry.values['file']}) {'is' if write else 'would be'} taken back: {out}; "
        "the file itself is kept"
    )
    for line in done.stay[:20]:
        print(f"  {line}")
    return 0
