"""The command ``pasturepot``: arguments and messages only.

Exit status: 0 done; 1 done, and the records hold errors that were set aside; 2 could not be done, said why in one line.
What is heavy is imported inside the commands, so that ``--help`` answers at once.
"""

import argparse
import importlib
import importlib.util
import os
import re
import sys
import textwrap
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeAlias

from analysis import __version__
from analysis.records.findings import CannotDo, Finding, did_you_mean

if TYPE_CHECKING:
    import pandas as pd

    from analysis.pot import PotFit
    from analysis.records.season import Season

# The type has no public name, and is generic for type checkers alone.
Commands: TypeAlias = "argparse._SubParsersAction[_Parser]"
DONE, SET_ASIDE, COULD_NOT = 0, 1, 2
_CAP = 10
_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")
NUTRIENTS = (
    "energy_kj",
    "energy_kcal",
    "energy",
    "fat",
    "saturates",
    "carbohydrate",
    "sugars",
    "protein",
    "salt",
    "sodium",
    "calcium",
)
# Rooms above the review that bring a command of their own: a module with ``add_parser(commands)``.
_ROOMS_WITH_COMMANDS = ("analysis.intake.command",)


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one line that names the nearest right word."""

    def __init__(self, **given: Any) -> None:
        given.setdefault("allow_abbrev", False)
        given.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(**given)

    def error(self, message: str) -> NoReturn:
        unknown = re.fullmatch(r"unrecognized arguments: (.*)", message)
        if unknown is not None:
            message = self._unknown(unknown[1].split())
        elif "expected one argument" in message or "required" in message:
            message = f"{message}; `{self.prog} --help` shows an example"
        self.exit(COULD_NOT, f"{self.prog}: {' '.join(message.split())}\n")

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.choices is not None and value not in action.choices:
            words = [str(choice) for choice in action.choices]
            what = "command" if isinstance(action, argparse._SubParsersAction) else "word"
            self.error(f'there is no {what} "{value}"; {did_you_mean(str(value), words)}')

    def _unknown(self, given: Sequence[str]) -> str:
        word = given[0].split("=")[0]
        known = [option for action in self._actions for option in action.option_strings]
        if not word.startswith("-"):
            return f'"{word}" is one word too many; `{self.prog} --help` shows an example'
        return f"there is no option {word}; {did_you_mean(word, [name for name in known if name.startswith('--')])}"

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        # A command's own parser says what it does not know, so that its own options are the ones suggested.
        found, rest = super().parse_known_args(args, namespace)
        if rest and "run" in found and self._defaults.get("run") is found.run:
            self.error(f"unrecognized arguments: {' '.join(rest)}")
        return found, rest


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv
        The words after ``pasturepot``; None takes those of the process.

    Returns
    -------
    int
        The exit status.
    """
    for stream in (sys.stdout, sys.stderr):
        # A terminal that lacks a character must not stop a command.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        args = _parser().parse_args(argv)
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else COULD_NOT
    try:
        return _run(args)
    except KeyboardInterrupt:
        return _refuse("stopped; nothing half-written is left")
    except MemoryError:
        return _refuse("there is not enough memory; close other programs, or leave out records of years long past")
    except Exception as fault:
        # The last resort: one line for the user, the trace on request.
        if os.environ.get("PASTUREPOT_TRACE"):
            raise
        return _refuse(
            f"a fault in pasturepot itself ({type(fault).__name__}: {fault}); PASTUREPOT_TRACE=1 shows where"
        )


def _run(args: argparse.Namespace) -> int:
    """Run the command that was asked for; reasons that lie with its input or the disk become one line."""
    try:
        status: int = args.run(args)
        sys.stdout.flush()
    except CannotDo as reason:
        return _refuse(str(reason))
    except BrokenPipeError:
        # Whoever reads has had enough, such as `head`; what is left to flush must not complain at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as reason:
        named = f"{reason.filename}: " if reason.filename else ""
        return _refuse(f"{named}{reason.strerror or reason}; check that the place is there and may be read and written")
    return status


def _refuse(reason: str) -> int:
    print(f"pasturepot: {' '.join(reason.split())}", file=sys.stderr)
    return COULD_NOT


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="pasturepot",
        description="The monthly review of a small dairy that makes set yogurt from ewes' milk.",
        epilog="example:\n  pasturepot review my-dairy --month 2026-05\n\n"
        "exit status: 0 done; 1 done, and records with errors were set aside; 2 could not be done",
    )
    parser.add_argument("--version", action="version", version=f"pasturepot {__version__}")
    commands = parser.add_subparsers(metavar="COMMAND", required=True, parser_class=_Parser)
    for add in (_add_new, _add_check, _add_review, _add_label, _add_decide):
        add(commands)
    for name in _ROOMS_WITH_COMMANDS:
        if importlib.util.find_spec(name) is not None:
            importlib.import_module(name).add_parser(commands)
    return parser


def add_command(
    commands: Commands, name: str, about: str, example: str, run: Callable[[argparse.Namespace], int]
) -> argparse.ArgumentParser:
    """Add a command and return its parser.

    Parameters
    ----------
    commands
        What ``add_subparsers`` returned.
    name, about, example
        The word, what it does, and lines that show its use.
    run
        Called with the parsed arguments; returns the exit status and may raise CannotDo.
    """
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=about,
        description=textwrap.fill(about[0].upper() + about[1:] + ".", 100),
        epilog="example:\n" + textwrap.indent(textwrap.dedent(example).strip(), "  "),
    )
    parser.set_defaults(run=run)
    return parser


def add_folder(parser: argparse.ArgumentParser) -> None:
    """Add the season folder."""
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="season folder of a dairy, the one with dairy.toml")


def add_month(parser: argparse.ArgumentParser) -> None:
    """Add the month under review."""
    parser.add_argument(
        "--month", metavar="YYYY-MM", type=_month, help="month under review; without it the newest with records"
    )


def _month(text: str) -> str:
    if not _MONTH.fullmatch(text):
        raise argparse.ArgumentTypeError(f'"{text}" is no month; write it as YYYY-MM, such as 2026-05')
    return text


# new ------------------------------------------------------------------------------------------------------------------


def _add_new(commands: Commands) -> None:
    parser = add_command(
        commands, "new", "make an empty season folder with a commented dairy.toml", "pasturepot new my-dairy", _new
    )
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="a folder that is not there yet, or is empty")


def _new(args: argparse.Namespace) -> int:
    from analysis.records.new_season import new_folder

    folder = new_folder(args.folder)
    print(f"made {folder}: fill in dairy.toml and milk_tests.csv, then `pasturepot check {folder}`")
    return DONE


# check ----------------------------------------------------------------------------------------------------------------


def _add_check(commands: Commands) -> None:
    parser = add_command(
        commands,
        "check",
        "check the records: what is wrong, where, and what to do",
        "pasturepot check my-dairy\npasturepot check my-dairy --all",
        _check,
    )
    add_folder(parser)
    parser.add_argument("--all", action="store_true", help=f"print every finding, not only {_CAP} of a kind")


def _check(args: argparse.Namespace) -> int:
    from datetime import datetime

    from analysis.records.season import read_season

    today = datetime.now().astimezone().date()
    findings = read_season(args.folder).check(today)
    for line in grouped(findings, cap=None if args.all else _CAP):
        print(line)
    counts = Counter(finding.severity for finding in findings)
    said = ", ".join(_count(counts[kind], kind) for kind in ("error", "warning", "note"))
    closing = "errors were set aside and the rest can be used" if counts["error"] else "nothing was set aside"
    print(f"{said}: {closing}")
    return SET_ASIDE if counts["error"] else DONE


def grouped(findings: Iterable[Finding], cap: int | None) -> list[str]:
    """Return findings as lines, a heading a file, errors first, at most ``cap`` of a kind (None: all)."""
    by_file: dict[str, list[Finding]] = {}
    for finding in findings:
        by_file.setdefault(finding.file or "all records", []).append(finding)
    lines: list[str] = []
    for file in sorted(by_file):
        lines.append(file)
        kinds: dict[tuple[str, str, str | None], list[Finding]] = {}
        for finding in by_file[file]:
            kinds.setdefault((finding.severity, finding.code, finding.column), []).append(finding)
        for alike in kinds.values():
            lines += [f"  {f.severity}: {_within_file(f)}" for f in alike[:cap]]
            if cap is not None and len(alike) > cap:
                lines.append(f"  {alike[0].severity}: and {len(alike) - cap} more like these; --all prints them")
        lines.append("")
    return lines


def _within_file(finding: Finding) -> str:
    return finding.sentence().removeprefix(f"{finding.file} ") if finding.row is not None else finding.sentence()


def _count(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


# review ---------------------------------------------------------------------------------------------------------------


def _add_review(commands: Commands) -> None:
    parser = add_command(
        commands,
        "review",
        "run the whole monthly review through the notebooks and write the page",
        "pasturepot review my-dairy --month 2026-05\npasturepot review my-dairy --open",
        _review,
    )
    add_folder(parser)
    add_month(parser)
    parser.add_argument("--open", action="store_true", help="open the page when it is done")
    parser.add_argument("--quiet", action="store_true", help="show no progress")


def _review(args: argparse.Namespace) -> int:
    from analysis.records.season import load_season
    from analysis.review import run_review

    season = load_season(args.folder, args.month)
    result = run_review(args.folder, season.month, quiet=args.quiet)
    print(result.page)
    if args.open:
        import webbrowser

        webbrowser.open(result.page.resolve().as_uri())
    return _said_errors(season.findings)


# label ----------------------------------------------------------------------------------------------------------------


def _add_label(commands: Commands) -> None:
    parser = add_command(
        commands,
        "label",
        "decide the label alone, or see how a value of one's own would fare",
        "pasturepot label my-dairy --month 2026-05\n"
        "pasturepot label my-dairy --rules eu gb\n"
        "pasturepot label my-dairy --try fat=6.5 protein=5.4",
        _label,
    )
    add_folder(parser)
    add_month(parser)
    parser.add_argument(
        "--rules",
        metavar="RULES",
        nargs="+",
        action="extend",
        help="rulebooks: eu, gb, us, codex or the path of a rulebook file; without it those of dairy.toml",
    )
    parser.add_argument(
        "--try",
        dest="tried",
        metavar="NUTRIENT=VALUE",
        nargs="+",
        action="extend",
        type=_tried,
        help="a value of one's own, in the rulebook's unit",
    )


def _tried(text: str) -> tuple[str, float]:
    name, equals, value = text.partition("=")
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if not equals or not 0 <= number < float("inf"):
        raise argparse.ArgumentTypeError(f'"{text}" is no value to try; write it as nutrient=value, such as fat=6.5')
    if name not in NUTRIENTS:
        raise argparse.ArgumentTypeError(f'there is no nutrient "{name}"; {did_you_mean(name, NUTRIENTS)}')
    return name, number


def _label(args: argparse.Namespace) -> int:
    from analysis.label import decide_labels, load_rulebook, try_values
    from analysis.records.season import load_season

    season = load_season(args.folder, args.month)
    asked = tuple(dict.fromkeys(args.rules or season.dairy.rules))
    for rules in asked:
        load_rulebook(rules, season.cutoff)
    # The home rulebook stays first, because what is on the pot now is told on its basis.
    season = season.with_rules((season.dairy.rules[0], *(name for name in asked if name != season.dairy.rules[0])))
    pot = _pot(season)
    print(f"{season.dairy.name}, as of {season.cutoff}")
    if args.tried:
        for rules in asked:
            print(plain_table(tried_lines(try_values(season, pot, rules, dict(args.tried)))))
        return _said_errors(season.findings)
    answer = decide_labels(season, pot)
    rows = [row for row in answer.decisions.get("label", []) if row["rules"] in asked]
    print(plain_table(label_lines(rows)))
    for flag in answer.flags:
        if flag.severity != "note":
            print(f"{flag.severity}: {flag.sentence()}")
    return _said_errors(season.findings)


def _pot(season: "Season") -> "PotFit":
    from threadpoolctl import threadpool_limits

    from analysis.milk import fit_milk
    from analysis.pot import fit_pot

    # As in decide: with more threads sums are taken in another order and the last digits move.
    with threadpool_limits(limits=1):
        return fit_pot(season, fit_milk(season))


def label_lines(rows: Sequence[dict[str, Any]]) -> "pd.DataFrame":
    """Return the lines of ``label`` in decisions.json as a table for people."""
    import pandas as pd

    columns = ("rules", "nutrient", "declare", "holds from", "to", "worst month", "on the pot now", "it holds")
    lines = []
    for row in rows:
        least = "any" if row.get("open_below") else _number(row["ok_from"])
        most = "any" if row.get("open_above") else _number(row["ok_to"])
        declared = _amount(row["declared"], row)
        worst = _chance(row["ok_worst_month"], row["worst_month"])
        now = (_number(row["on_pot_now"]), _chance(row["on_pot_now_ok_worst_month"], None))
        lines.append((row["rules"], row["nutrient"], declared, least, most, worst, *now))
    return pd.DataFrame(lines, columns=list(columns))


def tried_lines(tried: "pd.DataFrame") -> "pd.DataFrame":
    """Return values of one's own as a table for people: the worst month, then every month."""
    import pandas as pd

    months = [name for name in tried.columns if _MONTH.fullmatch(str(name))]
    lines = [
        {
            "rules": row["rules"],
            "nutrient": row["nutrient"],
            "your value": _amount(row["declared"], row),
            "worst month": _chance(row["ok_worst_month"], row["worst_month"]),
            **{month: _chance(row[month], None) for month in months},
        }
        for row in tried.to_dict("records")
    ]
    return pd.DataFrame(lines)


def plain_table(table: "pd.DataFrame") -> str:
    """Return a table as aligned text: words to the left, numbers to the right."""
    if table.empty:
        return "nothing to show"
    shown = {str(name): [_cell(value) for value in table[name]] for name in table.columns}
    width = {name: max(len(name), *(len(cell) for cell in cells)) for name, cells in shown.items()}
    right = {name for name in table.columns if table[name].dtype.kind in "iuf"}
    lines = ["  ".join(name.rjust(width[name]) if name in right else name.ljust(width[name]) for name in shown)]
    for cells in zip(*shown.values(), strict=True):
        named = zip(shown, cells, strict=True)
        lines.append("  ".join(c.rjust(width[n]) if n in right else c.ljust(width[n]) for n, c in named))
    return "\n".join(line.rstrip() for line in lines)


def _cell(value: Any) -> str:
    if value is None or value != value:
        return "-"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:g}"


def _amount(value: float | None, row: dict[Any, Any]) -> str:
    """Return a declared value as the pot prints it, with what it is per."""
    if value is None or value != value:
        return "-"
    return f"{row.get('prints') or _number(value) + ' ' + row['unit']} per {row['basis']}"


def _chance(value: float | None, month: str | None) -> str:
    from analysis.records.months import month_words

    if value is None or value != value:
        return "-"
    # 0 and 1 would promise more than any computation can.
    said = "over 0.99" if value > 0.995 else "under 0.01" if value < 0.005 else f"{value:.2f}"
    return f"{said} in {month_words(month)}" if month else said


# decide ---------------------------------------------------------------------------------------------------------------


def _add_decide(commands: Commands) -> None:
    parser = add_command(
        commands,
        "decide",
        "decide everything and write decisions.json alone, without notebooks",
        "pasturepot decide my-dairy --month 2026-05 --out decisions.json",
        _decide,
    )
    add_folder(parser)
    add_month(parser)
    parser.add_argument("--out", metavar="FILE", type=Path, help="where to write; without it the text is printed")


def _decide(args: argparse.Namespace) -> int:
    from analysis.decide import decide, write_decisions
    from analysis.records.writing import write_text

    if args.out is not None and not args.out.absolute().parent.is_dir():
        raise CannotDo(f"there is no folder {args.out.absolute().parent} to write {args.out.name} into; make it first")
    outcome = decide(args.folder, args.month)
    text = write_decisions(outcome.decisions)
    if args.out is None:
        # Bytes, so that the text is UTF-8 whatever the terminal speaks.
        sys.stdout.flush()
        sys.stdout.buffer.write(text.encode("utf-8"))
    else:
        write_text(args.out, text)
    return _said_errors(outcome.season.findings)


def _said_errors(findings: Iterable[Finding]) -> int:
    """Name on stderr what was set aside, and return the exit status that goes with it."""
    errors = [finding for finding in findings if finding.severity == "error"]
    for finding in errors[:_CAP]:
        print(f"set aside: {finding.sentence()}", file=sys.stderr)
    if len(errors) > _CAP:
        print(f"set aside: {len(errors) - _CAP} more; `pasturepot check` names them all", file=sys.stderr)
    return SET_ASIDE if errors else DONE


if __name__ == "__main__":
    sys.exit(main())
