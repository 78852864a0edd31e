"""A bench run and a deck's history as tables for the terminal, on stdout."""

from __future__ import annotations

from rich.table import Table
from rich.text import Text

from flows.tables import _console as console
from pipeline.bench_history import BenchHistory
from pipeline.bench_record import Bench
from pipeline.bench_verdict import Outcome
from pipeline.records import NotMeasured
from pipeline.report.certificate import azimuth_table, flutter_table, limit_table, lines_table, speed_table
from pipeline.report.history_page import bars, entries_table
from pipeline.report.tables import Cell
from pipeline.report.tables import Table as Rows

_STYLES = {Outcome.MET.value: "green", Outcome.MISSED.value: "red", Outcome.TOO_CLOSE.value: "yellow"}
_SEVERITY_STYLES = {"info": "", "warn": "yellow", "fail": "bold red"}


def print_bench(bench: Bench) -> None:
    """The verdict, the table to pin to the machine, speed, and which part."""
    shown = console()
    shown.print(Text(f"{bench.deck.label}, {bench.date}: {bench.verdict.stamp}", style="bold"))
    shown.print(Text(bench.verdict.summary))
    for use, lines in (("speech", bench.verdict.speech), ("music", bench.verdict.music)):
        shown.print(Text(f"For {use}: {'; '.join(lines) or 'not known'}."))
    limits = limit_table(bench.verdict)
    table = Table(header_style="bold", pad_edge=False)
    for name in ("Figure", "This deck", *limits.bands):
        table.add_column(name)
    for row in limits.rows:
        cells = [Text(f"{c.sign} {c.text}".strip(), style=_STYLES.get(c.outcome, "")) for c in row.cells]
        table.add_row(row.figure, Text(_word(row.value)), *cells)
    for name, totals in limits.totals:
        table.add_row(name, "", *(Text(f"{c.sign} {c.outcome}", style=_STYLES.get(c.outcome, "")) for c in totals))
    shown.print(table)
    for rows in (speed_table(bench), flutter_table(bench), lines_table(bench.flutter), azimuth_table(bench)):
        if rows.rows:
            shown.print(_rows(rows))
    for finding in bench.findings:
        shown.print(
            Text(f"{finding.severity.value}: {finding.message}", style=_SEVERITY_STYLES[finding.severity.value])
        )


def print_history(history: BenchHistory) -> None:
    """Every run, a bar each over time, and what each repair changed."""
    shown = console()
    if not history.entries:
        shown.print(Text(f"{history.deck}: no bench run yet; make one with `feltpad bench CAPTURE --deck FILE`"))
        return
    shown.print(_rows(entries_table(history)))
    shown.print(Text("\nWeighted wow and flutter over time", style="bold"))
    for line in bars(history):
        shown.print(Text(line))
    if history.stories:
        shown.print(Text("\nWhat each repair changed", style="bold"))
    for story in history.stories:
        shown.print(Text(f"{story.before} to {story.after}: {story.words}"))


def _rows(rows: Rows) -> Table:
    table = Table(title=Text(rows.caption), title_justify="left", header_style="bold", pad_edge=False)
    for name in rows.head:
        table.add_column(name.replace("\u00a0", " "))
    for row in rows.rows:
        table.add_row(*(Text(_word(cell)) for cell in row))
    return table


def _word(cell: Cell) -> str:
    return f"not measured: {cell.reason}" if isinstance(cell, NotMeasured) else cell.replace("\u00a0", " ")
