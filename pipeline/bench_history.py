"""A deck's bench results over time, and what each repair changed, in words."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from pipeline.bench_log import last_service
from pipeline.deck import BenchComponent, BenchEntry, Deck, ServiceEntry
from pipeline.records import NotMeasured, Reading

SCHEMA = "feltpad.bench-history/1"


@dataclass(frozen=True)
class HistoryCriteria:
    """When two lines are one, and what is news (table ``[history]`` of ``config/bench.toml``).

    same_line_hz     lines of two bench runs are the same within this, Hz …
    same_line_share  … or within this share of the rate
    told_percent     smaller lines are not told, percent
    gone_share       a line is gone when less than this share of it is left, 0 … 1
    """

    same_line_hz: float
    same_line_share: float
    told_percent: float
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
    pairs = list(zip(deck.bench, deck.bench[1:], strict=False))
    return BenchHistory(
        SCHEMA,
        deck.label,
        tuple(history_entry(entry) for entry in deck.bench),
        tuple(Service(entry.date.isoformat(), entry.work) for entry in deck.service),
        tuple(tell_repair(deck, before, after, criteria) for before, after in pairs if _alike(before, after)),
    )


def _alike(before: BenchEntry, after: BenchEntry) -> bool:
    """Mains and battery are two machines: a change of power is no repair."""
    return before.power is None or after.power is None or before.power is after.power


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
    start = before.after_service or last_service(deck, before.date) or datetime.date.min
    stop = after.after_service or last_service(deck, after.date) or datetime.date.min
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
    """Lines that went, came or changed much. Silent where one of the runs names no lines at all."""
    if "weighted_peak_percent" not in before.readings or "weighted_peak_percent" not in after.readings:
        return ()
    told = []
    for line in sorted(before.components, key=lambda line: -line.peak_percent):
        left = max((o.peak_percent for o in after.components if _same(line, o, criteria)), default=0.0)
        if line.peak_percent < criteria.told_percent:
            continue
        if left < criteria.gone_share * line.peak_percent and left < criteria.told_percent:
            told.append(f"the {line.hz:.1f} Hz line{_whose(line)} gone")
        elif left < line.peak_percent / 2:
            told.append(f"the {line.hz:.1f} Hz line{_whose(line)} {line.peak_percent:.2f} → {left:.2f} %")
    for line in sorted(after.components, key=lambda line: -line.peak_percent):
        was = max((o.peak_percent for o in before.components if _same(line, o, criteria)), default=0.0)
        if line.peak_percent < criteria.told_percent or line.peak_percent < 2 * was:
            continue
        if was < criteria.told_percent:
            told.append(f"a new line at {line.hz:.1f} Hz of {line.peak_percent:.2f} %{_whose(line)}")
        else:
            told.append(f"the {line.hz:.1f} Hz line{_whose(line)} {was:.2f} → {line.peak_percent:.2f} %")
    return tuple(told)


def _whose(line: BenchComponent) -> str:
    return f" ({line.part})" if line.part and not line.part.startswith("no part") else ""


def _same(line: BenchComponent, other: BenchComponent, criteria: HistoryCriteria) -> bool:
    return abs(line.hz - other.hz) <= max(criteria.same_line_hz, criteria.same_line_share * line.hz)
