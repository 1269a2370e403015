"""The command line: which commands and options there are, and which way of ending gives which exit code.

| exit | means |
| --- | --- |
| 0 | completed |
| 1 | `verify` found a difference; a run only with --fail-on |
| 2 | refused: the input, the rules or the command line cannot be used as they stand |
| 3 | a control total did not come out to zero: no report was left |
| 4 | a fault of ours, with the file that holds its details |
| 130 | interrupted; nothing half-written was left |

Results go to stdout, messages to stderr. The commands' work stands in `commands.py` and is loaded only when one of them runs.
"""

from __future__ import annotations

import gc
import os
import shlex
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from reconcile import __version__, starting
from reconcile.cli_support import Amount, IsoDate, Place, PlainPath, say, show, survive_any_console, today, write_fault
from reconcile.errors import ReconcileError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

DIFFERS, REFUSED, FAULT, INTERRUPTED = 1, 2, 4, 130

A_PATH = PlainPath(path_type=Path)
Command = TypeVar("Command", bound="Callable[..., Any]")

exports_argument = click.argument("exports", nargs=-1, required=True, type=A_PATH)
rules_option = click.option("--rules", type=A_PATH, help="Folder of the office's rules. Else rules/ here or beside the exports.")
map_option = click.option("--map", "map_file", type=A_PATH, help="Column map, for exports with other headings or codes.")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="reconcile")
def cli() -> None:
    """Reconcile pending and posted plan draws with charges, aid and the bank, per student and to the cent.

    It reads exports and writes reports. It moves no money and changes no account.
    """


@cli.command()
@exports_argument
@rules_option
@map_option
def check(exports: tuple[Path, ...], rules: Path | None, map_file: Path | None) -> None:
    """Read and validate EXPORTS only: a folder, or several files. Writes nothing."""
    from reconcile import commands  # noqa: PLC0415 (loads the table libraries)

    commands.check(exports, rules, map_file)


def run_options(command: Command) -> Command:
    """The options of every command that writes a run."""
    options = (
        rules_option,
        map_option,
        click.option("--reports", type=A_PATH, default=Path("reports"), show_default=True, help="Folder that the run folders go to."),
        click.option("--into", type=A_PATH, help="The exact run folder to write; it must not be there yet."),
        click.option("--previous", type=A_PATH, help="Run folder to follow. Else the latest earlier one under --reports."),
        click.option("--without-rejected", is_flag=True, help="Go on without rejected rows; they are shown and totalled."),
        click.option("--bank-from", type=IsoDate(), help="First day that the bank files cover. Else their first event."),
        click.option("--bank-through", type=IsoDate(), help="Last day that the bank files cover. Else their last event."),
        click.option("--accept-drop", is_flag=True, help="Go on though an export lost a column or many rows since the previous run."),
        click.option(
            "--notes",
            type=A_PATH,
            help="What people decided: a saved workbook of a run, or a CSV with exception_id, disposition, note, decided_by, decided_on.",
        ),
        click.option(
            "--names", is_flag=True, help="Show students' names, where the export has them, in what people look at and in outreach.csv."
        ),
        click.option("--only", type=click.Choice(["csv"]), help="csv: write the data files alone, for scheduled jobs."),
        click.option(
            "--fail-on", type=click.Choice(["new", "any"]), help="End with code 1 if such exceptions (but information) are on the list."
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


@cli.command()
@exports_argument
@click.option("--as-of", type=IsoDate(), required=True, help="The day that the report speaks of, like 2026-10-15.")
@run_options
@click.pass_obj
def daily(place: Place, /, exports: tuple[Path, ...], as_of: date, **options: Any) -> int:  # noqa: ANN401 (click gives what run_options names)
    """Reconcile EXPORTS (a folder, or several files) as of a day and write a run folder."""
    from reconcile import reading, run_command  # noqa: PLC0415 (loads the table libraries)

    place.reports = options["reports"]
    return run_command.daily(reading.Request(exports=exports, as_of=as_of, today=today(), **options))


@cli.command()
@exports_argument
@click.option("--as-of", type=IsoDate(), required=True, help="The last day of the month to close, like 2026-10-31.")
@run_options
@click.option("--previous-close", type=A_PATH, help="Close to open from. Else the latest earlier one under --reports.")
@click.pass_obj
def close(place: Place, /, exports: tuple[Path, ...], as_of: date, **options: Any) -> int:  # noqa: ANN401 (click gives what run_options names)
    """Close a month: as daily, with roll-forward since the close before, tie-out, and a copy of all inputs."""
    from reconcile import reading, run_command  # noqa: PLC0415 (loads the table libraries)

    place.reports = options["reports"]
    return run_command.close(reading.Request(exports=exports, as_of=as_of, today=today(), **options))


@cli.command()
@click.argument("student_id")
@click.argument("run", type=A_PATH)
def student(student_id: str, run: Path) -> None:
    """Tell one student's whole story out of the folder of a RUN, to be read out to those entitled to know."""
    from reconcile import commands  # noqa: PLC0415 (loads the table libraries)

    commands.student(student_id, run)


@cli.command()
@click.argument("run", type=A_PATH)
@click.argument("figure", nargs=-1)
def trace(run: Path, figure: tuple[str, ...]) -> None:
    """Show the rows that make up a FIGURE of a RUN, and their sum; without a figure, list them all.

    A figure by its name: rollforward TERM METHOD MONEY ITEM; tie_out TERM DATE ITEM; or the name of a line of proof, or as much of its
    beginning as tells it from others, with left or right for one side of it.
    """
    from reconcile import commands  # noqa: PLC0415 (loads the table libraries)

    commands.trace(run, " ".join(figure))


@cli.command()
@click.option("--term", required=True, help="The term's code in the rules.")
@click.option("--amount", type=Amount(), required=True, help="The plan total without the fee, like 12000.00.")
@click.option("--enrolled-on", type=IsoDate(), required=True, help="The day the family enrolls, like 2026-07-20.")
@click.option("--method", type=click.Choice(["bank", "card"]), default="bank", show_default=True, help="What the draws are taken from.")
@rules_option
def schedule(term: str, amount: int, enrolled_on: date, method: str, rules: Path | None) -> None:
    """Show the plan that the rules would write."""
    from reconcile import commands  # noqa: PLC0415 (loads the table libraries)

    commands.schedule(term, amount, enrolled_on, method, rules)


@cli.command("sign-off")
@click.argument("run", type=A_PATH)
@click.option("--role", type=click.Choice(["preparer", "reviewer"]), required=True, help="As whom to sign; the reviewer signs last.")
@click.option("--name", required=True, help="Who signs: preparer and reviewer are two people.")
@click.option("--on", type=IsoDate(), help="The day of signing. Else today.")
@click.option("--note", default="", help="A remark to stand beside the signature.")
@click.option("--reports", type=A_PATH, help="Folder that holds the earlier runs. Else the one that RUN lies in.")
def sign_off(run: Path, role: str, name: str, on: date | None, note: str, reports: Path | None) -> None:
    """Sign the folder of a RUN as it is now; from the first signature on none of its files may change."""
    from reconcile import signing  # noqa: PLC0415 (loads more than --help needs)

    now = today()
    signing.sign_off(run, role, name, on or now, now, note, reports)


@cli.command()
@click.argument("run", type=A_PATH)
@click.option("--exports", multiple=True, type=A_PATH, help="The exports of the run, to make it again and compare. May be given twice.")
@rules_option
@map_option
@click.option("--notes", type=A_PATH, help="The notes that the run read, if they are not found.")
@click.option("--reports", type=A_PATH, help="Folder that holds the earlier runs. Else the one that RUN lies in.")
def verify(
    run: Path, exports: tuple[Path, ...], rules: Path | None, map_file: Path | None, notes: Path | None, reports: Path | None
) -> int:
    """Check files, chain and signatures of a RUN, and the same result again; ends with 1 if anything differs."""
    from reconcile import run_again, verifying  # noqa: PLC0415 (loads the table libraries)

    return verifying.verify(run, run_again.AtHand(exports, rules, map_file, notes, reports))


@cli.command()
@click.argument("folder", type=A_PATH)
def start(folder: Path) -> None:
    """Make a working FOLDER: rules, sample exports and a place for reports."""
    next_commands = starting.make_working_folder(folder, starting.packaged("rules"), starting.packaged("sample_exports"))
    own = str(folder)
    place = f'"{own}"' if os.name == "nt" else shlex.quote(f"./{own}" if own.startswith("-") else own)  # as each system's shell takes it
    show("\n".join((f"{folder} is ready. Next:", "", f"    cd {place}", *(f"    {line}" for line in next_commands))) + "\n")


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code; the one place where errors are caught."""
    place = Place()
    try:
        result = cli.main(arguments, prog_name="reconcile", standalone_mode=False, obj=place)
    except click.ClickException as error:
        error.show()
        return REFUSED
    except ReconcileError as error:
        say(str(error))
        return error.exit_code
    except (click.Abort, KeyboardInterrupt) as error:
        if isinstance(error.__cause__, EOFError):  # click takes the end of any file for an interruption at a prompt; we have no prompts
            return _fault(error.__cause__, place)
        say("Interrupted. Nothing half-written was left.")
        return INTERRUPTED
    except Exception as error:  # noqa: BLE001 (whatever else goes wrong is our fault, and is said so)
        return _fault(error, place)
    return result if isinstance(result, int) else 0


def _fault(error: BaseException, place: Place) -> int:
    details = write_fault(error, place.reports)
    say(f"This is a fault of ours, not of your data or rules: {type(error).__name__}. No report was left. Details: {details}")
    return FAULT


def _interrupt(*_: object) -> NoReturn:
    raise KeyboardInterrupt


def main() -> NoReturn:
    """The entry point of the installed command; a request to end counts as an interruption, so that nothing half-written stays."""
    gc.disable()  # a command ends soon, and looking for circles among its many small objects costs more than it frees
    os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")  # the others give memory back at once, only to ask for it again
    survive_any_console()
    signal.signal(signal.SIGTERM, _interrupt)
    code = run()
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except (AttributeError, OSError, ValueError):  # nobody reads any more: Python has its own words and code for that
        sys.exit(code)
    os._exit(code)  # all is written; to give a run's memory back piece by piece would only take time
