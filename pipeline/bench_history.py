"""A deck's bench results over time, and what each repair changed, in words."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise

from pipeline.bench_log import last_service
from pipeline.deck import BenchComponent, BenchEntry, Deck, Power, ServiceEntry
from pipeline.records import NotMeasured, Reading

SCHEMA = "feltpad.bench-history/1"
FLUTTER = "weighted_peak_percent"  # a run that has it looked for lines as well


@dataclass(frozen=True)
class HistoryCriteria:
    """When two lines are one, and what is news (table ``[history]`` of ``config/bench.toml``).

    same_line_hz     lines of two bench runs are the same within this, Hz …
    same_line_share  … or within this share of the rate
    told_percent     smaller lines are not told, percent
    most_lines       changes of lines in one sentence, the largest first
    gone_share       a line is gone when less than this share of it is left, 0 … 1
    """

    same_line_hz: float
    same_line_share: float
    told_percent: float
    most_lines: int
    gone_share: float


@dataclass(frozen=True)
class Change:
    """One figure before and after."""

    name: str
    unit: str
    before: Reading
    after: Reading


@dataclass(frozen=True)
class RepairStory:
    """What lies between two bench results.

    services  the work done between them; empty: the same deck measured again
    words     the whole story in one line
    """

    before: str
    after: str
    services: tuple[str, ...]
    changes: tuple[Change, ...]
    lines: tuple[str, ...]
    words: str


@dataclass(frozen=True)
class HistoryEntry:
    """One bench result. power, after_service: "" where not known."""

    date: str
    note: str
    power: str
    after_service: str
    error_percent: Reading
    uncertainty_percent: Reading
    weighted_peak_percent: Reading
    unweighted_peak_percent: Reading
    drift_percent: Reading
    readings: dict[str, float]
    components: tuple[BenchComponent, ...]


@dataclass(frozen=True)
class Service:
    date: str
    work: str


@dataclass(frozen=True)
class BenchHistory:
    """Everything on a deck's bench log, in order of date, and the stories between one result and the next."""

    schema: str
    deck: str
    entries: tuple[HistoryEntry, ...]
    services: tuple[Service, ...]
    stories: tuple[RepairStory, ...]


_FIGURES = (
    ("speed error", "%", "error_percent", 3),
    ("weighted flutter", "%", "weighted_peak_percent", 2),
    ("unweighted flutter", "%", "unweighted_peak_percent", 2),
    ("drift", "%", "drift_percent", 2),
    ("azimuth delay", "µs", "delay_us", 0),
    ("hiss below the level tone, A-weighted", "dB", "a_weighted_below_db", 0),
    ("hum below the level tone", "dB", "hum_below_db", 0),
)
_DIGITS = {name: digits for name, _, _, digits in _FIGURES}
_IN_WORDS = ("speed error", "weighted flutter")  # what the one-line story tells; the rest stands in the table


def read_history(deck: Deck, criteria: HistoryCriteria) -> BenchHistory:
    """The deck's log as one record."""
    return BenchHistory(
        SCHEMA,
        deck.label,
        tuple(history_entry(entry) for entry in deck.bench),
        tuple(Service(entry.date.isoformat(), entry.work) for entry in deck.service),
        tell_stories(deck, criteria),
    )


def tell_stories(deck: Deck, criteria: HistoryCriteria) -> tuple[RepairStory, ...]:
    """What each repair changed, in order of date; of a deck without one, what changed from run to run.

    Before and after a repair stands what the deck last read in either state, put together from all its runs: a run
    with a frequency counter knows the speed, one with a test tape the flutter as well. Mains and battery are two
    machines, and each has its own stories.
    """
    stories = []
    powers: set[Power | None] = {entry.power for entry in deck.bench if entry.power}
    for power in powers or {None}:
        runs = [entry for entry in deck.bench if entry.power in (None, power)]
        states = [list(state) for _, state in groupby(runs, key=lambda entry: _followed(deck, entry))]
        if len(states) > 1:
            known = [_together(state) for state in states]
            stories += [tell_repair(deck, before, after, criteria) for before, after in pairwise(known)]
        else:
            stories += [tell_repair(deck, before, after, criteria) for before, after in pairwise(runs)]
    return tuple(sorted(stories, key=lambda story: (story.after, story.before)))


def _together(runs: Sequence[BenchEntry]) -> BenchEntry:
    """The newest of each figure of these runs, which came between the same two services; the lines of the newest run
    that read flutter."""
    newest = runs[-1]
    readings = {name: value for run in runs for name, value in run.readings.items()}
    with_speed = [run for run in runs if run.error_percent is not None]
    with_lines = [run for run in runs if FLUTTER in run.readings]
    return replace(
        newest,
        error_percent=with_speed[-1].error_percent if with_speed else None,
        uncertainty_percent=with_speed[-1].uncertainty_percent if with_speed else None,
        readings=readings,
        components=with_lines[-1].components if with_lines else (),
    )


def _followed(deck: Deck, entry: BenchEntry) -> datetime.date | None:
    return entry.after_service or last_service(deck, entry.date)


def history_entry(entry: BenchEntry) -> HistoryEntry:
    """A log entry with every key there."""
    return HistoryEntry(
        date=entry.date.isoformat(),
        note=entry.note,
        power=entry.power.value if entry.power else "",
        after_service=entry.after_service.isoformat() if entry.after_service else "",
        error_percent=_figure(entry, "error_percent"),
        uncertainty_percent=_figure(entry, "uncertainty_percent"),
        weighted_peak_percent=_figure(entry, "weighted_peak_percent"),
        unweighted_peak_percent=_figure(entry, "unweighted_peak_percent"),
        drift_percent=_figure(entry, "drift_percent"),
        readings=entry.readings,
        components=entry.components,
    )


def _figure(entry: BenchEntry, name: str) -> Reading:
    value = getattr(entry, name) if name in ("error_percent", "uncertainty_percent") else entry.readings.get(name)
    return NotMeasured("this bench run did not measure it") if value is None else float(value)


def tell_repair(deck: Deck, before: BenchEntry, after: BenchEntry, criteria: HistoryCriteria) -> RepairStory:
    """Before and after, side by side, and in one line ("new belts: weighted flutter 0.41 → 0.18 %, …")."""
    services = _between(deck, before, after)
    changes = [Change(name, unit, _figure(before, key), _figure(after, key)) for name, unit, key, _ in _FIGURES]
    known = tuple(c for c in changes if not isinstance(c.before, NotMeasured) or not isinstance(c.after, NotMeasured))
    lines = _line_changes(before, after, criteria)
    told = [change_words(c) for c in known if c.name in _IN_WORDS and _has_both(c)]
    what = "; ".join(entry.work for entry in services) or "measured again, no work between"
    words = ", ".join([*told, *lines]) or "the two results have no figure in common"
    return RepairStory(
        before.date.isoformat(),
        after.date.isoformat(),
        tuple(entry.work for entry in services),
        known,
        lines,
        f"{what}: {words}",
    )


def _between(deck: Deck, before: BenchEntry, after: BenchEntry) -> list[ServiceEntry]:
    """Services after the one that the first result follows, up to the one that the second follows."""
    start, stop = (_followed(deck, entry) or datetime.date.min for entry in (before, after))
    return [entry for entry in deck.service if start < entry.date <= stop]


def _has_both(change: Change) -> bool:
    return not isinstance(change.before, NotMeasured) and not isinstance(change.after, NotMeasured)


def change_words(change: Change) -> str:
    """The figure before and after, with one unit.

    >>> change_words(Change("weighted flutter", "%", 0.41, 0.18))
    'weighted flutter 0.41 → 0.18 %'
    >>> change_words(Change("speed error", "%", -0.909, 0.0201))
    'speed error −0.909 → +0.020 %'
    """
    return f"{change.name} {_shown(change, change.before)} → {_shown(change, change.after)} {change.unit}"


def _shown(change: Change, value: Reading) -> str:
    if isinstance(value, NotMeasured):
        return "not measured"
    sign = "+" if change.name in ("speed error", "azimuth delay") and value else ""
    return f"{value:{sign}.{_DIGITS.get(change.name, 2)}f}".replace("-", "−")


def _line_changes(before: BenchEntry, after: BenchEntry, criteria: HistoryCriteria) -> tuple[str, ...]:
    """Lines that went, came or changed much, the largest first. Silent where one of the runs did not look for lines."""
    if FLUTTER not in before.readings or FLUTTER not in after.readings:
        return ()
    told: list[tuple[float, str]] = []
    for line in before.components:
        left = max((o.peak_percent for o in after.components if _same(line, o, criteria)), default=0.0)
        name = f"the {line.hz:.1f} Hz line{_whose(line)}"
        if line.peak_percent < criteria.told_percent:
            continue
        if left < criteria.gone_share * line.peak_percent and left < criteria.told_percent:
            told.append((line.peak_percent, f"{name} gone"))
        elif left < line.peak_percent / 2:
            told.append((line.peak_percent, f"{name} {line.peak_percent:.2f} → {left:.2f} %"))
    for line in after.components:
        was = max((o.peak_percent for o in before.components if _same(line, o, criteria)), default=0.0)
        if line.peak_percent < criteria.told_percent or line.peak_percent < 2 * was:
            continue
        grown = f"the {line.hz:.1f} Hz line{_whose(line)} {was:.2f} → {line.peak_percent:.2f} %"
        new = f"a new line at {line.hz:.1f} Hz of {line.peak_percent:.2f} %{_whose(line)}"
        told.append((line.peak_percent, new if was < criteria.told_percent else grown))
    return tuple(words for _, words in sorted(told, reverse=True)[: criteria.most_lines])


def _whose(line: BenchComponent) -> str:
    return f" ({line.part})" if line.part and not line.part.startswith("no part") else ""


def _same(line: BenchComponent, other: BenchComponent, criteria: HistoryCriteria) -> bool:
    return abs(line.hz - other.hz) <= max(criteria.same_line_hz, criteria.same_line_share * line.hz)
