"""A deck: the machine as its owner describes it, what was repaired when, and how it measured after that.

The file is TOML, written by hand; only `pipeline.bench_log` adds to it, at the end, and leaves every line
that stands there as it is. See ``config/deck.example.toml``.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from pipeline.errors import DeckError, Problem
from pipeline.parts import PartKind, RotatingPart
from pipeline.standards.cassette import TIME_CONSTANT_US
from pipeline.tomlfile import StrictTable, nearest, read_toml

# Wide enough for any part of a cassette deck: what is outside is in another unit.
SMALLEST_PART_MM, LARGEST_PART_MM = 0.5, 1000.0
FASTEST_PART_HZ = 1000.0


class Power(StrEnum):
    MAINS = "mains"
    BATTERY = "battery"


class Head(StrEnum):
    MONO = "mono"  # one gap over the whole 1.5 mm of a side
    STEREO = "stereo"


@dataclass(frozen=True)
class ServiceEntry:
    date: datetime.date
    work: str


@dataclass(frozen=True)
class BenchComponent:
    """A line of the deviation spectrum; ``part`` is the part's name or what was said where none turns at this rate."""

    hz: float
    peak_percent: float
    part: str


@dataclass(frozen=True)
class BenchEntry:
    """What one bench run gave.

    error_percent, uncertainty_percent  speed; None where that capture did not show it
    power          what the deck ran on
    readings       every other figure by its name with unit (weighted_peak_percent …); only what was measured
    after_service  date of the service entry this run follows; None where it is not said
    """

    date: datetime.date
    note: str
    power: Power | None
    error_percent: float | None
    uncertainty_percent: float | None
    readings: dict[str, float] = field(default_factory=dict)
    components: tuple[BenchComponent, ...] = ()
    after_service: datetime.date | None = None


@dataclass(frozen=True)
class Deck:
    """The machine. Empty texts and None: its owner does not say.

    replay_equalisation_us  120 or 70 (check-values §3.1): what the playback amplifier corrects for, whatever the tape
    service, bench          in order of date
    """

    path: Path
    label: str
    model: str
    year: str
    serial: str
    power: Power | None
    replay_equalisation_us: float | None
    head: Head | None
    parts: tuple[RotatingPart, ...]
    service: tuple[ServiceEntry, ...]
    bench: tuple[BenchEntry, ...]


def read_deck(path: Path) -> Deck:
    """The deck in a file. Raises DeckError with every problem, each with file and key."""
    deck, problems = scan_deck(path, path.name)
    if deck is None:
        raise DeckError("\n".join(map(str, problems)))
    return deck


def scan_deck(path: Path, place: str) -> tuple[Deck | None, tuple[Problem, ...]]:
    """The same without raising; ``place`` names the file in the problems. The deck is None where there are any."""
    problems: list[Problem] = []
    top = read_toml(path, place, problems)
    if top is None:
        return None, tuple(problems)
    machine = top.table("deck", required=True)
    parts = _read_parts(top)
    service = sorted((_read_service(entry) for entry in top.tables("service")), key=lambda entry: entry.date)
    bench = sorted((_read_bench(entry) for entry in top.tables("bench")), key=lambda entry: entry.date)
    deck = _read_machine(machine, path, parts, tuple(service), tuple(bench)) if machine else None
    top.finish()
    return (None if problems else deck), tuple(problems)


def _read_machine(
    table: StrictTable,
    path: Path,
    parts: tuple[RotatingPart, ...],
    service: tuple[ServiceEntry, ...],
    bench: tuple[BenchEntry, ...],
) -> Deck:
    deck = Deck(
        path=path,
        label=table.text("label"),
        model=table.text("model"),
        year=table.text("year"),
        serial=table.text("serial"),
        power=table.choice("power", Power),
        replay_equalisation_us=_read_equalisation(table),
        head=table.choice("head", Head),
        parts=parts,
        service=service,
        bench=bench,
    )
    table.finish()
    return deck


def _read_equalisation(table: StrictTable) -> float | None:
    known = sorted(set(TIME_CONSTANT_US.values()))
    value = table.number("replay_equalisation_us", -math.inf, math.inf)
    if value is None or value in known:
        return value
    slip = "the short time constant in µs: the long one, 3180, is common to all" if value > max(known) else ""
    table.refuse("replay_equalisation_us", f"expected {' or '.join(f'{us:g}' for us in known)}, found {value:g}", slip)
    return None


def _read_parts(top: StrictTable) -> tuple[RotatingPart, ...]:
    tables = top.tables("part")
    parts = [_read_part(table) for table in tables]
    named = {part.name: part for part in parts}
    for table, part in zip(tables, parts, strict=True):
        if sum(other.name == part.name for other in parts) > 1:
            table.refuse("name", f"two parts are called {part.name!r}", 'give each its own, such as "take-up pulley"')
        if part.driven_by is not None and part.driven_by not in named:
            table.refuse("driven_by", f"no part is called {part.driven_by!r}", nearest(part.driven_by, list(named)))
        if _turns_itself(part, named):
            table.refuse("driven_by", f"{part.name!r} would drive itself", "which of the two drives the other?")
    return tuple(parts)


def _read_part(table: StrictTable) -> RotatingPart:
    kind = table.choice("kind", PartKind, required=True)
    belt = kind is PartKind.BELT
    part = RotatingPart(
        name=table.text("name") or (kind.value.replace("_", " ") if kind else ""),
        kind=kind or PartKind.IDLER,
        diameter_mm=None if belt else table.number("diameter_mm", SMALLEST_PART_MM, LARGEST_PART_MM, required=True),
        length_mm=table.number("length_mm", SMALLEST_PART_MM, LARGEST_PART_MM, required=True) if belt else None,
        uncertainty_mm=table.number("uncertainty_mm", 0.0, LARGEST_PART_MM),
        driven_by=table.text("driven_by") or None,
    )
    table.finish()
    return part


def _turns_itself(part: RotatingPart, named: dict[str, RotatingPart]) -> bool:
    seen, driver = {part.name}, part.driven_by
    while driver in named:
        if driver in seen:
            return driver == part.name
        seen.add(driver)
        driver = named[driver].driven_by
    return False


def _read_service(table: StrictTable) -> ServiceEntry:
    entry = ServiceEntry(table.day("date", required=True) or datetime.date.min, table.text("work", required=True))
    table.finish()
    return entry


def _read_bench(table: StrictTable) -> BenchEntry:
    readings = table.table("readings")
    names = readings.keys() if readings else []
    entry = BenchEntry(
        date=table.day("date", required=True) or datetime.date.min,
        note=table.text("note"),
        power=table.choice("power", Power),
        error_percent=table.number("error_percent", -50.0, 50.0),
        uncertainty_percent=table.number("uncertainty_percent", 0.0, 50.0),
        readings={name: readings.number(name, -math.inf, math.inf) or 0.0 for name in names} if readings else {},
        components=tuple(_read_component(component) for component in table.tables("components")),
        after_service=table.day("after_service"),
    )
    table.finish()
    return entry


def _read_component(table: StrictTable) -> BenchComponent:
    component = BenchComponent(
        table.number("hz", 0.0, FASTEST_PART_HZ, required=True) or 0.0,
        table.number("peak_percent", 0.0, 100.0, required=True) or 0.0,
        table.text("part"),
    )
    table.finish()
    return component
