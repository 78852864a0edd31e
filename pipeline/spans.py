"""A stretch of a capture, in seconds from its first frame. Seconds at the borders, frames inside."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Span:
    """From ``start_s`` up to, not including, ``stop_s``.

    >>> Span(1.0, 3.5).seconds
    2.5
    >>> Span(0, 2).overlap_s(Span(1.5, 9))
    0.5
    """

    start_s: float
    stop_s: float

    @property
    def seconds(self) -> float:
        return self.stop_s - self.start_s

    def overlap_s(self, other: Span) -> float:
        """How many seconds the two share; 0 where they only touch."""
        return max(0.0, min(self.stop_s, other.stop_s) - max(self.start_s, other.start_s))
