"""The command line: arguments, progress, what is printed, exit codes.

Exit codes, the first that fits: 2 bad input, 3 not solved to tolerance, 1 done, with
errors that leave every piece valid or findings that ``[report] fail_on`` names, 0 done. Besides:
130 interrupted, 141 nobody reads the output any more, 70 a fault of the program.

Reports go to standard output, errors and progress to standard error. The only file that
prints.

What only some commands need (the kernels, their libraries, those of the files that are written)
takes seconds to import: the functions of those commands import it.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import traceback
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TextIO

from drape.commands import shear as shear_command
from drape.commands.progress import progress, to_stay
from drape.errors import AccuracyError, Finding, InputError, PlywrightError
from drape.job.file import write_new
from drape.job.keys import MESH_SUFFIXES, UNITS
from drape.job.starter import starter_job
from drape.output import terminal
from drape.output.shear_picture import picture
from drape.output.svg import to_svg

if TYPE_CHECKING:
    from drape.results import Results

DONE, RISKS, BAD_INPUT, NOT_SOLVED = 0, 1, 2, 3
FAULT, INTERRUPTED, NO_READER = 70, 130, 141
BUILT = ("demo", "new", "inspect", "run", "view", "fabrics", "shear")
LATER = {
    "advise": "search for a better start point, angle or split",
    "compare": "compare a measured ply with the computed one",
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; None: those of the process.

    Returns
    -------
    int
        The exit code.
    """
    given = list(sys.argv[1:] if argv is None else argv)
    as_json = "--json" in given
    try:
        args = _parser().parse_args(given)
        return args.command(args)
    except SystemExit as stop:  # --help, --version
        return stop.code if isinstance(stop.code, int) else BAD_INPUT
    except PlywrightError as error:
        return _report_error(error, as_json)
    except KeyboardInterrupt:
        _say("interrupted", sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # the interpreter flushes once more on its way out: let that go nowhere
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        return NO_READER
    except OSError as error:
        _debug_traceback()
        what = f"can't be read or written: {error.strerror or error}"
        return _report_error(InputError(what, where=str(error.filename or "a file")), as_json)
    except Exception as error:
        return _report_fault(error, as_json)


class _Parser(argparse.ArgumentParser):
    """Arguments that are wrong are bad input like any other: one line, exit code 2."""

    def error(self, message: str) -> NoReturn:
        raise InputError(message, remedy=f"see '{self.prog} --help'")


def _parser() -> _Parser:
    parser = _Parser(
        prog="plywright",
        description="Cut patterns for woven prepreg in split female moulds.",
        epilog="Exit codes: 0 done, 1 done with errors, or with risks that the job's fail_on "
        "names, 2 bad input, 3 not solved to tolerance.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {_version()}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_run(commands)
    _add_meshes(commands)
    _add_view(commands)
    fabrics = commands.add_parser("fabrics", help="list the built-in fabrics", allow_abbrev=False)
    fabrics.add_argument("--json", action="store_true", help="print one JSON object")
    fabrics.set_defaults(command=_fabrics)
    shear_command.add_shear(commands, _shear)
    for name, text in LATER.items():
        later = commands.add_parser(name, help=f"{text} (not built yet)", add_help=False)
        later.add_argument("rest", nargs=argparse.REMAINDER)
        later.set_defaults(command=_not_built, name=name)
    return parser


def _add_run(commands: Any) -> None:
    demo = commands.add_parser("demo", help="run the demo mould", allow_abbrev=False)
    demo.add_argument(
        "-o", "--output", type=Path, metavar="DIR", default=Path("plywright-demo"),
        help="folder to make: DIR/job gets the job and its meshes, DIR/patterns the output "
        "(default: plywright-demo)",
    )  # fmt: skip
    demo.set_defaults(command=_demo)
    run = commands.add_parser("run", help="compute the patterns of a job", allow_abbrev=False)
    run.add_argument("job", type=Path, metavar="JOB", help="job file (TOML)")
    run.add_argument(
        "-o", "--output", type=Path, metavar="DIR", required=True, help="folder to write"
    )
    run.set_defaults(command=_run)
    for command in (demo, run):
        command.add_argument("--jobs", type=_count, metavar="N", help="threads (default: all)")
        _add_output_options(command)


def _add_meshes(commands: Any) -> None:
    new = commands.add_parser("new", help="write a starter job file", allow_abbrev=False)
    new.add_argument(
        "-o", "--output", type=Path, metavar="JOB", default=Path("job.toml"),
        help="file to write; one that exists is left alone (default: job.toml)",
    )  # fmt: skip
    new.set_defaults(command=_new)
    inspect = commands.add_parser("inspect", help="look at mould meshes", allow_abbrev=False)
    inspect.set_defaults(command=_inspect)
    for command in (new, inspect):
        command.add_argument(
            "meshes", nargs="+", type=Path, metavar="MESH", help=", ".join(MESH_SUFFIXES)
        )
        command.add_argument(
            "--units",
            choices=tuple(UNITS),
            default="mm",
            help="unit of the mesh files (default: mm)",
        )
        _add_output_options(command)


def _add_view(commands: Any) -> None:
    view = commands.add_parser(
        "view", help="look at the plies of a job in its mould, and try other starts",
        allow_abbrev=False,
    )  # fmt: skip
    view.add_argument("job", type=Path, metavar="JOB", help="job file (TOML)")
    view.add_argument(
        "--page", action="store_true",
        help="as a page for a browser on this machine, instead of a window",
    )  # fmt: skip
    view.add_argument("--jobs", type=_count, metavar="N", help="threads (default: all)")
    view.add_argument("--quiet", action="store_true", help="print only risks and errors")
    view.set_defaults(command=_view)


def _add_output_options(command: argparse.ArgumentParser) -> None:
    command.add_argument("--quiet", action="store_true", help="print only risks and errors")
    command.add_argument("--json", action="store_true", help="print one JSON object")


def _count(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 1024:
        raise argparse.ArgumentTypeError(f"got {text}; allowed: a whole number, 1 to 1024")
    return int(text)


def _version() -> str:
    try:
        return version("plywright")
    except PackageNotFoundError:
        return "(not installed)"


def _run(args: argparse.Namespace) -> int:
    return _run_job(args.job, args.output, args)


def _demo(args: argparse.Namespace) -> int:
    with to_stay():
        from drape import publish

    job = publish.copy_demo(args.output / "job")
    return _run_job(job, args.output / "patterns", args)


def _run_job(path: Path, folder: Path, args: argparse.Namespace) -> int:
    with to_stay():
        from drape import pipeline, publish
        from drape.job.job import load_job

    job = load_job(path)
    with progress(args.quiet, _say_aside) as report:
        results = pipeline.run(job, jobs=args.jobs, progress=report)
    files = publish.publish(results, folder)
    code = exit_code(results.valid, results.findings, job.fail_on)
    if args.json:
        _report_json(
            exit_code=code,
            job=str(path),
            folder=str(folder),
            files=list(files),
            summary=results.summary.model_dump(mode="json"),
            caution=terminal.CAUTION,
        )
    if args.quiet:
        _report_findings([f for f in results.findings if f.level in ("risk", "error")], sys.stderr)
    elif not args.json:
        _report_results(results, job.title, files, folder)
    return code


def _view(args: argparse.Namespace) -> int:
    from drape import pipeline
    from drape.job.job import load_job
    from viewers import looking

    if not args.page:
        looking.check_screen()
    job = load_job(args.job)
    with progress(args.quiet, _say_aside) as report:
        results = pipeline.run(job, jobs=args.jobs, progress=report)
    _report_findings([f for f in results.findings if f.level in ("risk", "error")], sys.stderr)
    show = looking.show_page if args.page else looking.show_window
    show(results, lambda text: print(terminal.for_stream(text, sys.stdout.encoding), flush=True))
    return DONE


def exit_code(valid: bool, findings: Sequence[Finding], fail_on: Sequence[str]) -> int:
    """Exit code of a run that came to its end; an error that leaves every piece valid counts as
    a risk."""
    if not valid:
        return NOT_SOLVED
    return RISKS if any(f.level in ("error", *fail_on) for f in findings) else DONE


def _new(args: argparse.Namespace) -> int:
    for mesh in args.meshes:
        if not os.path.isfile(mesh):
            raise InputError("no such mesh file", where=str(mesh), remedy="check the name")
        if mesh.suffix.lower() not in MESH_SUFFIXES:
            what, limit = "not a kind of mesh file that can be read", ", ".join(MESH_SUFFIXES)
            raise InputError(what, where=str(mesh), limit=limit)
    text = starter_job([_seen_from(args.output.parent, m) for m in args.meshes], units=args.units)
    write_new(args.output, text)
    if args.json:
        _report_json(exit_code=DONE, job=str(args.output))
    elif not args.quiet:
        _say(f"Wrote {args.output}. Edit it, then: plywright run {args.output} -o patterns")
    return DONE


def _seen_from(folder: Path, mesh: Path) -> Path:
    """The mesh's path from the job's folder; the whole path if it's on another drive."""
    try:
        return Path(os.path.relpath(mesh, folder))
    except ValueError:
        return mesh.resolve()


def _inspect(args: argparse.Namespace) -> int:
    from drape import pipeline

    with progress(args.quiet, _say_aside):
        found = pipeline.inspect(args.meshes, UNITS[args.units])
    findings = found["findings"]
    if args.json:
        objects = [terminal.finding_object(f) for f in findings]
        _report_json(**{"exit_code": DONE, **found, "findings": objects})
    if args.quiet:
        _report_findings([f for f in findings if f.level in ("risk", "error")], sys.stderr)
    elif not args.json:
        for line in terminal.value_lines({k: v for k, v in found.items() if k != "findings"}):
            _say(line)
        _report_findings(findings)
    return DONE


def _fabrics(args: argparse.Namespace) -> int:
    if args.json:
        _report_json(exit_code=DONE, fabrics=shear_command.shipped_objects())
        return DONE
    for line in shear_command.shipped_lines():
        _say(line)
    return DONE


def _shear(args: argparse.Namespace) -> int:
    found = shear_command.measured(args)
    entry = shear_command.entry_of(found, args)
    drawn = getattr(args, "picture", None)
    if drawn is not None:
        write_new(drawn, to_svg(picture(found)).decode())
    if args.json:
        objects = [terminal.finding_object(f) for f in found.findings]
        drawn = None if drawn is None else str(drawn)
        measured = shear_command.measured_object(found, entry)
        _report_json(exit_code=DONE, **measured, picture=drawn, findings=objects)
        return DONE
    if not args.quiet:
        for line in shear_command.measured_lines(found):
            _say(line)
        _report_findings(found.findings)
        if drawn is not None:
            _say(f"Wrote {drawn}")
        _say("\nTo paste into a job file:\n")
    _say(entry.rstrip())
    return DONE


def _not_built(args: argparse.Namespace) -> int:
    raise InputError(f"'{args.name}' isn't built yet", limit=", ".join(BUILT))


def _report_results(results: Results, title: str, files: Sequence[str], folder: Path) -> None:
    _say(title)
    for line in terminal.ply_table(results.summary):
        _say(line)
    _report_findings(results.findings)
    if not results.valid:
        _say("Some pieces failed their checks: they have no cut files.", sys.stderr)
    _say(f"Wrote {len(files)} files to {folder}")
    first = terminal.open_first(folder, files)
    if first:
        _say(first)
    _say(terminal.CAUTION)


def _report_findings(findings: Sequence[Finding], stream: TextIO | None = None) -> None:
    for line in terminal.finding_lines(findings):
        _say(line, stream)


def _report_error(error: PlywrightError, as_json: bool) -> int:
    code = NOT_SOLVED if isinstance(error, AccuracyError) else BAD_INPUT
    errors = terminal.errors_of(error)
    for one in errors:
        _say(f"error: {one.line()}", sys.stderr)
    if as_json:
        _report_json(exit_code=code, errors=[terminal.error_object(e) for e in errors])
    return code


def _report_fault(error: Exception, as_json: bool) -> int:
    _debug_traceback()
    what = f"internal error: {type(error).__name__}: {error}"
    fault = PlywrightError(
        what, remedy="please report it with the job file; PLYWRIGHT_DEBUG=1 shows where it arose"
    )
    _say(f"error: {fault.line()}", sys.stderr)
    if as_json:
        _report_json(exit_code=FAULT, errors=[terminal.error_object(fault)])
    return FAULT


def _debug_traceback() -> None:
    if os.environ.get("PLYWRIGHT_DEBUG") == "1":
        traceback.print_exc()


def _report_json(**values: Any) -> None:
    _say(json.dumps(values, indent=2, allow_nan=False))


def _say_aside(text: str) -> None:
    _say(text, sys.stderr)


def _say(text: str, stream: TextIO | None = None) -> None:
    # sys.stdout is looked up late: it may be replaced while the program runs
    stream = sys.stdout if stream is None else stream
    print(terminal.for_stream(text, stream.encoding), file=stream)


if __name__ == "__main__":
    sys.exit(main())
