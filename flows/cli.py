"""The command line: each command is one call into the library, and printing.

Results go to stdout, progress and messages to stderr; ``--json`` prints one JSON document and nothing else. Heavy
modules are imported by the command that needs them, so that ``--help`` answers at once.
"""

from __future__ import annotations

import argparse
import datetime
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from flows.exit_codes import DONE, USAGE

if TYPE_CHECKING:
    Subparsers: TypeAlias = argparse._SubParsersAction[argparse.ArgumentParser]


_EPILOG = """\
exit codes: 0 done; 2 usage or sheet error, nothing was written; 3 everything was written, at least one verdict is
fail; 4 at least one side could not be processed, the others were
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code. Errors we raise on purpose are told in one line, without a traceback."""
    parsed = build_parser().parse_args(arguments)
    from flows import commands
    from pipeline.errors import FeltpadError

    if arguments is None:  # heap, threads and cores are ours to set where the process is
        _settle_in(parsed)
    try:
        return int(getattr(commands, parsed.command)(parsed))
    except FeltpadError as exc:
        print(f"feltpad: {exc}", file=sys.stderr)
        return USAGE
    except KeyboardInterrupt:
        print("feltpad: stopped; what was finished is kept, run the same command to go on", file=sys.stderr)
        return 130
    except BrokenPipeError:
        return DONE


def _settle_in(parsed: argparse.Namespace) -> None:
    from flows.heap import ONE_THREAD, keep_to_cores, set_heap

    if parsed.command == "measure":
        os.environ.update({**ONE_THREAD, **os.environ})  # before numpy is imported
        set_heap()
    if getattr(parsed, "workers", None) is not None and parsed.engine != "dask":
        keep_to_cores(parsed.workers)


def build_parser() -> argparse.ArgumentParser:
    """Every command with its options; the README shows each."""
    parser = argparse.ArgumentParser(
        prog="feltpad",
        description="Measure a repaired cassette deck, correct what its motor cannot, and turn a box of tapes into a"
        " sealed archive.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=_version())
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _demo(commands)
    _check(commands)
    _measure(commands)
    _bench(commands)
    _digitize(commands)
    _rerun(commands)
    _review(commands)
    _qc(commands)
    _verify(commands)
    _restore(commands)
    return parser


def _version() -> str:
    from pipeline import __version__

    return f"feltpad {__version__}"


def _demo(commands: Subparsers) -> None:
    demo = commands.add_parser("demo", help="the sample box, end to end")
    demo.add_argument("--out", type=Path, default=Path("demo-archive"), metavar="DIR", help="default: demo-archive")
    _config(demo)
    _work(demo)


def _check(commands: Subparsers) -> None:
    check = commands.add_parser("check", help="read a box's sheet and every capture's header; write nothing")
    check.add_argument("box", type=Path, metavar="BOX")
    check.add_argument("--json", action="store_true", help="the problems as one JSON document")
    _config(check)


def _measure(commands: Subparsers) -> None:
    measure = commands.add_parser("measure", help="measure one capture, without a box")
    measure.add_argument("capture", type=Path, metavar="CAPTURE")
    measure.add_argument(
        "--tone",
        type=_hertz,
        nargs="+",
        default=[],
        metavar="HZ",
        action="extend",
        help="nominal tones that may be on it",
    )
    measure.add_argument("--json", action="store_true", help="the whole measurement as one JSON document")
    _config(measure)


def _bench(commands: Subparsers) -> None:
    bench = commands.add_parser("bench", help="qualify a deck from a capture of a test tape")
    bench.add_argument("capture", type=Path, metavar="CAPTURE", nargs="?")
    bench.add_argument("--deck", type=Path, metavar="FILE", help="the deck's own file")
    bench.add_argument(
        "--tone",
        type=_hertz,
        nargs="+",
        default=[],
        metavar="HZ",
        action="extend",
        help="nominal tones of the test tape",
    )
    bench.add_argument("--note", default="", metavar="TEXT", help="goes into the deck's bench log")
    bench.add_argument(
        "--date", type=_day, metavar="DAY", help="when it was measured, as 2024-04-21; default: the capture's own date"
    )
    bench.add_argument("--power", choices=["mains", "battery"], help="what the deck ran on; default: as in its file")
    bench.add_argument("--history", type=Path, metavar="DECK", help="show a deck's bench results over time")
    bench.add_argument(
        "--out", type=Path, metavar="DIR", help="where the certificate goes; default: beside the deck file"
    )
    bench.add_argument("--json", action="store_true", help="the result as one JSON document")
    _config(bench)


def _digitize(commands: Subparsers) -> None:
    digitize = commands.add_parser("digitize", help="a box of captures into an archive")
    digitize.add_argument("box", type=Path, metavar="BOX")
    digitize.add_argument("--out", type=Path, required=True, metavar="ARCHIVE")
    digitize.add_argument(
        "--tape", action="append", default=[], metavar="ID", help="only this tape; may be given again"
    )
    _config(digitize)
    _work(digitize)


def _rerun(commands: Subparsers) -> None:
    rerun = commands.add_parser("rerun", help="make a tape's copies again, with something decided otherwise")
    rerun.add_argument("archive", type=Path, metavar="ARCHIVE")
    rerun.add_argument("--tape", required=True, metavar="ID")
    rerun.add_argument("--side", metavar="S", help="default: every side of the tape")
    speed = rerun.add_argument_group("speed: one of")
    speed.add_argument("--read", type=_hertz, metavar="HZ", help="what a tone reads on this deck; goes with --true")
    speed.add_argument("--true", type=_hertz, metavar="HZ", help="what that tone should be")
    speed.add_argument("--ratio", type=_ratio, metavar="R", help="true / read, outright")
    speed.add_argument("--bench", type=Path, metavar="FILE", help="a deck file whose newest bench result is used")
    speed.add_argument(
        "--speed",
        choices=["tone", "bench", "none"],
        help="from the capture's tone, from the bench results of the tape's own deck, or as captured",
    )
    cut = rerun.add_argument_group("cut, channels and level")
    cut.add_argument("--start", type=float, metavar="S", help="first second of the capture that is kept")
    cut.add_argument("--stop", type=float, metavar="S", help="last second of the capture that is kept")
    cut.add_argument("--channels", metavar="USE", help="as-captured, right-flipped, average, difference, left or right")
    cut.add_argument("--gain", type=float, metavar="DB", help="gain of the access copy, as far as its peaks allow")
    _settling(rerun.add_argument_group("findings; KIND alone settles all of that kind, `all` every open one"))
    back = rerun.add_argument_group("back")
    back.add_argument("--revision", type=int, metavar="N", help="decide again as in this earlier revision")
    back.add_argument("--automatic", action="store_true", help="forget what a person decided; sheet and capture decide")
    rerun.add_argument("--reason", default="", metavar="TEXT", help="goes into the decisions file")
    _work(rerun)


def _settling(settling: argparse._ArgumentGroup) -> None:
    where = "KIND[@TIME]"
    settling.add_argument(
        "--accept", action="append", default=[], metavar=where, help="it is so, and it may stay so; may be given again"
    )
    settling.add_argument(
        "--refuse", action="append", default=[], metavar=where, help="it is no fault; goes with --note"
    )
    settling.add_argument("--reopen", action="append", default=[], metavar=where, help="take an answer back")
    settling.add_argument("--note", default="", metavar="TEXT", help="is kept with the answer, or with the sign-off")
    settling.add_argument("--sign", metavar="NAME", help="sign the tape off; no finding may be open")


def _review(commands: Subparsers) -> None:
    review = commands.add_parser("review", help="go through an archive in the browser: listen, decide, settle, sign")
    review.add_argument("archive", type=Path, metavar="ARCHIVE")
    review.add_argument("--port", type=_port, default=0, metavar="N", help="default: a free one")
    review.add_argument("--no-browser", action="store_true", help="only print the address")


def _qc(commands: Subparsers) -> None:
    qc = commands.add_parser("qc", help="summary on the terminal, and the pages again")
    qc.add_argument("archive", type=Path, metavar="ARCHIVE")
    qc.add_argument("--tape", action="append", default=[], metavar="ID", help="only this tape; may be given again")
    qc.add_argument("--json", action="store_true", help="the QC records as one JSON document; writes nothing")


def _verify(commands: Subparsers) -> None:
    verify = commands.add_parser("verify", help="prove that nothing in an archive has rotted")
    verify.add_argument("archive", type=Path, metavar="ARCHIVE")
    verify.add_argument("--tape", action="append", default=[], metavar="ID", help="only this tape; may be given again")
    verify.add_argument("--json", action="store_true", help="the outcome as one JSON document")


def _restore(commands: Subparsers) -> None:
    """The capture file again, byte for byte."""
    restore = commands.add_parser("restore", help="a side's capture file again, byte for byte")
    restore.add_argument("archive", type=Path, metavar="ARCHIVE")
    restore.add_argument("--tape", required=True, metavar="ID")
    restore.add_argument("--side", required=True, metavar="S")
    restore.add_argument("--out", type=Path, required=True, metavar="FILE")


def _config(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--config",
        type=Path,
        default=None,
        metavar="DIR",
        help="a folder with your own copies of feltpad's config files",
    )


def _work(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--workers",
        type=_workers,
        default=None,
        metavar="N",
        help="worker processes, and cores to keep busy with them; default: all, or every thread of the cluster",
    )
    parser.add_argument(
        "--engine",
        choices=["local", "inline", "dask"],
        default="local",
        help="where the work is done: worker processes on this machine (default), this process, or a Dask cluster",
    )
    parser.add_argument("--scheduler", metavar="ADDR", help="the cluster's scheduler, such as tcp://10.0.0.1:8786")
    parser.add_argument("--quiet", action="store_true", help="no progress on stderr")


def _hertz(text: str) -> float:
    value = _number(text)
    if not 1 <= value <= 96_000:
        raise argparse.ArgumentTypeError(f"expected a frequency in Hz, found {text}")
    return value


def _day(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected a day as year-month-day, found {text!r}") from None


def _ratio(text: str) -> float:
    value = _number(text)
    if not 0.5 <= value <= 2:
        raise argparse.ArgumentTypeError(
            f"expected a ratio near 1 (true / read, such as 1.009174 for 436 read where 440 was meant), found {text};"
            " for a frequency use --read and --true"
        )
    return value


def _workers(text: str) -> int:
    value = _number(text)
    if value != int(value) or not 1 <= value <= 512:
        raise argparse.ArgumentTypeError(f"expected 1 to 512 worker processes, found {text}")
    return int(value)


def _port(text: str) -> int:
    value = _number(text)
    if value != int(value) or not 0 <= value <= 65_535:
        raise argparse.ArgumentTypeError(f"expected a port from 0 to 65535, found {text}")
    return int(value)


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected a number, found {text!r}") from None


if __name__ == "__main__":
    sys.exit(main())
