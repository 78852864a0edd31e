"""The bench results in a deck's file: which one a capture is corrected with, and how a new one is added."""

from __future__ import annotations

import datetime
import shutil
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import tomli_w

from pipeline.deck import BenchEntry, Deck, read_deck, scan_deck
from pipeline.errors import DeckError
from pipeline.files import whole_file


@dataclass(frozen=True)
class BenchChoice:
    """The bench result to correct with, and what speaks against it.

    age_days            from bench to capture, negative where the bench came later; None where the capture has no date
    older_than_service  the deck was worked on between the two, so it may run differently now
    """

    entry: BenchEntry
    age_days: int | None
    older_than_service: bool


def newest_bench(deck: Deck, on: datetime.date | None) -> BenchChoice | None:
    """The newest bench result that holds for a capture made ``on`` this day; None where there is none with a speed.

    Between two services the deck is taken for one machine: the newest result up to the day is chosen, else the first
    one after it. Where that stretch has no result, the newest earlier one is, and said to be older than a service. A
    result from after a later service tells nothing. Without a day the newest of all is chosen. A result measured on
    the other kind of power than the deck file names does not count.
    """
    speeds = [
        entry
        for entry in deck.bench
        if entry.error_percent is not None and (deck.power is None or entry.power in (None, deck.power))
    ]
    if on is None:
        last = last_service(deck, None)
        return BenchChoice(speeds[-1], None, _followed(deck, speeds[-1]) != last) if speeds else None
    state = last_service(deck, on)
    before = [entry for entry in speeds if entry.date <= on]
    valid_before = [entry for entry in before if _followed(deck, entry) == state]
    valid_after = [entry for entry in speeds if entry.date > on and _followed(deck, entry) == state]
    for entries, older in ((valid_before[-1:], False), (valid_after[:1], False), (before[-1:], True)):
        if entries:
            return BenchChoice(entries[0], (on - entries[0].date).days, older)
    return None


def last_service(deck: Deck, on: datetime.date | None) -> datetime.date | None:
    """Date of the last service entry up to and on this day (of all, where ``on`` is None); None before the first."""
    return max((entry.date for entry in deck.service if on is None or entry.date <= on), default=None)


def _followed(deck: Deck, entry: BenchEntry) -> datetime.date | None:
    """The service a bench run came after: the one it names, else the last one up to its day."""
    return entry.after_service or last_service(deck, entry.date)


def append_bench(path: Path, entry: BenchEntry) -> Path:
    """Add a bench result at the end of the deck's file, whole or not at all; returns the path.

    Every byte that stands there stays; the note loses the blanks around it. Raises DeckError, with the file untouched,
    when the file is not right before, or would not read back as the same deck with this entry added.
    """
    before = read_deck(path)
    entry = replace(entry, note=entry.note.strip())
    target = path.resolve()  # a link stays a link
    original = target.read_bytes()
    line_end = "\r\n" if b"\r\n" in original else "\n"
    text = _bench_text(entry)
    gap = line_end if original.endswith(b"\n") else 2 * line_end
    with whole_file(target) as partial:
        partial.write_bytes(original + (gap + text.replace("\n", line_end)).encode())
        shutil.copymode(target, partial)
        after, problems = scan_deck(partial, path.name)
        wanted = sorted((*before.bench, entry), key=lambda bench: bench.date)
        if after is None or after != replace(before, path=partial, bench=tuple(wanted)):
            reasons = "\n".join(map(str, problems)) or f"{path}: the bench result would not read back as it was meant"
            raise DeckError(
                f"{reasons}\nnothing was written; are the bench results in {path.name} written as [[bench]]?"
            )
    return path


def _bench_text(entry: BenchEntry) -> str:
    """The entry as [[bench]], in full double brackets, so that it can follow whatever the file ends with."""
    values = {
        "date": entry.date,
        "note": entry.note or None,
        "power": entry.power and entry.power.value,
        "error_percent": entry.error_percent,
        "uncertainty_percent": entry.uncertainty_percent,
        "after_service": entry.after_service,
    }
    text = "[[bench]]\n" + tomli_w.dumps({key: value for key, value in values.items() if value is not None})
    if entry.readings:
        text += "\n[bench.readings]\n" + tomli_w.dumps(entry.readings)
    for component in entry.components:
        text += "\n[[bench.components]]\n" + tomli_w.dumps(asdict(component))
    return text
