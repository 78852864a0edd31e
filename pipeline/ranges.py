"""Frame ranges found in order, near ones as one, with a bound on how many are kept."""

from __future__ import annotations

from bisect import bisect
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple


class Range(NamedTuple):
    """depth_db: how far the level fell or rose; 0 where it has no meaning."""

    start: int
    stop: int
    depth_db: float = 0.0


@dataclass
class FoundRanges:
    """Ranges in order, those nearer than ``merge_frames`` made one; past ``most`` they are only counted."""

    merge_frames: int
    most: int
    count: int = 0
    ranges: list[Range] = field(default_factory=list)
    last_stop: int = -(1 << 62)

    def add(self, start: int, stop: int, depth_db: float = 0.0) -> None:
        if start - self.last_stop <= self.merge_frames:
            if self.count <= self.most:
                last = self.ranges[-1]
                self.ranges[-1] = Range(last.start, max(stop, last.stop), max(depth_db, last.depth_db))
        else:
            self.count += 1
            if self.count <= self.most:
                self.ranges.append(Range(start, stop, depth_db))
        self.last_stop = max(stop, self.last_stop)

    def apart_from(self, others: FoundRanges) -> FoundRanges:
        """These without those that meet one of the others, or nearly."""
        rest = FoundRanges(self.merge_frames, self.most, self.count)
        stops = [other.stop for other in others.ranges]
        for one in self.ranges:
            near = bisect(stops, one.start - self.merge_frames // 4)
            if near < len(stops) and others.ranges[near].start < one.stop + self.merge_frames // 4:
                rest.count -= 1
            else:
                rest.ranges.append(one)
        return rest


def together(parts: Sequence[FoundRanges]) -> FoundRanges:
    """The ranges of several channels, those that meet as one; counts at least what the fullest channel has."""
    if not parts:
        return FoundRanges(0, 0)
    merged = FoundRanges(parts[0].merge_frames, parts[0].most)
    for start, stop, depth_db in sorted(one for part in parts for one in part.ranges):
        merged.add(start, stop, depth_db)
    merged.count = max([merged.count, *(part.count for part in parts)])
    return merged
