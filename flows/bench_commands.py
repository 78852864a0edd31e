"""``feltpad bench``: a deck's certificate from a test tape, or its history."""

from __future__ import annotations

import argparse
import datetime
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from flows.exit_codes import DONE, FAILED_QC, USAGE

if TYPE_CHECKING:
    from pipeline.bench_curves import BenchCurves
    from pipeline.bench_record import Bench, Occasion
    from pipeline.bench_settings import BenchCriteria
    from pipeline.deck import Deck


def bench(parsed: argparse.Namespace) -> int:
    """Measure and log one run, or show the log."""
    if (parsed.capture is None) == (parsed.history is None):
        print("feltpad bench: give CAPTURE with --deck FILE, or --history DECK", file=sys.stderr)
        return USAGE
    if parsed.history is not None:
        return _history(parsed)
    if parsed.deck is None:
        print("feltpad bench: which deck played it? Name its file with --deck FILE", file=sys.stderr)
        return USAGE
    return _run(parsed)


def _run(parsed: argparse.Namespace) -> int:
    from pipeline.bench import BenchSettings, measure_bench
    from pipeline.bench_findings import is_to_be_logged
    from pipeline.bench_record import Occasion
    from pipeline.capture import open_capture
    from pipeline.deck import Power, read_deck
    from pipeline.method import read_all_settings
    from pipeline.qc import Severity

    deck, capture = read_deck(parsed.deck), open_capture(parsed.capture)
    settings, criteria = read_all_settings(parsed.config), _criteria(parsed)
    date = parsed.date or datetime.date.fromtimestamp(parsed.capture.stat().st_mtime)
    occasion = Occasion(date, parsed.note, Power(parsed.power) if parsed.power else None)
    print(f"measuring {parsed.capture} …", file=sys.stderr)
    made, curves = measure_bench(
        capture, parsed.tone, deck, occasion, BenchSettings(settings.method, criteria, settings.report.overview)
    )
    logged = is_to_be_logged(made) and _log(made, deck, occasion)
    pages = _pages(made, curves, parsed, criteria)
    _tell(made, pages, logged, parsed)
    return FAILED_QC if any(finding.severity is Severity.FAIL for finding in made.findings) else DONE


def _criteria(parsed: argparse.Namespace) -> BenchCriteria:
    from pipeline.bench_settings import BenchCriteria
    from pipeline.settings import read_settings, shipped

    folder = parsed.config or shipped("config")
    return read_settings(BenchCriteria, folder / "bench.toml")


def _log(made: Bench, deck: Deck, occasion: Occasion) -> bool:
    """Append the run to the deck's file; False where the very same one stands there already."""
    from pipeline.bench_log import append_bench
    from pipeline.bench_record import log_entry

    entry = log_entry(made, deck, occasion)
    if entry in deck.bench:
        return False
    append_bench(deck.path, entry)
    return True


def _pages(made: Bench, curves: BenchCurves, parsed: argparse.Namespace, criteria: BenchCriteria) -> tuple[Path, Path]:
    """The certificate, and the history with this run in it."""
    from pipeline.bench_history import read_history, tell_stories
    from pipeline.deck import read_deck
    from pipeline.report.certificate import write_certificate
    from pipeline.report.history_page import write_history

    deck = read_deck(parsed.deck)
    stories = [s for s in tell_stories(deck, criteria.history) if s.after == made.date]
    folder = parsed.out or parsed.deck.parent
    history_page = folder / f"{parsed.deck.stem}-history.html"
    page = folder / f"{parsed.deck.stem}-{made.date}-{parsed.capture.stem}.html"
    write_certificate(made, curves, stories[-1] if stories else None, history_page.name, page)
    write_history(read_history(deck, criteria.history), history_page)
    return page, history_page


def _tell(made: Bench, pages: tuple[Path, Path], logged: bool, parsed: argparse.Namespace) -> None:
    from flows.bench_tables import print_bench
    from pipeline.records import to_plain

    if parsed.json:
        print(json.dumps(to_plain(made), ensure_ascii=False, indent=1, allow_nan=False))
    else:
        print_bench(made)
        print(f"\nCertificate: {pages[0].resolve().as_uri()}\nHistory:     {pages[1].resolve().as_uri()}")
    where = f"added to the bench log in {parsed.deck}" if logged else f"not added to the bench log in {parsed.deck}"
    print(where, file=sys.stderr)


def _history(parsed: argparse.Namespace) -> int:
    from flows.bench_tables import print_history
    from pipeline.bench_history import read_history
    from pipeline.deck import read_deck
    from pipeline.records import to_plain
    from pipeline.report.history_page import write_history

    history = read_history(read_deck(parsed.history), _criteria(parsed).history)
    page = (parsed.out or parsed.history.parent) / f"{parsed.history.stem}-history.html"
    write_history(history, page)
    if parsed.json:
        print(json.dumps(to_plain(history), ensure_ascii=False, indent=1, allow_nan=False))
    else:
        print_history(history)
        print(f"\nHistory: {page.resolve().as_uri()}")
    return DONE
