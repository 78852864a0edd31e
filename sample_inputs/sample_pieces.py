"""The pieces on the invented tapes, by name: tunes made up for them, and who plays."""

from __future__ import annotations

from typing import Any

import numpy as np
import sample_sounds as sounds

Array = np.ndarray[Any, Any]

HYMN = (
    ("G2 D3 B3 G4", "a"), ("C3 E3 C4 G4", "o"), ("D3 F#3 A3 A4", "e"), ("G2 G3 B3 B4", "a"),
    ("E3 G3 B3 B4", "u"), ("C3 E3 A3 C5", "o"), ("D3 F#3 A3 D5", "a"), ("G2 D3 B3 D5", "o"),
)  # fmt: skip
KYRIE = (("D3 A3 D4 F4", "i"), ("Bb2 F3 D4 F4", "e"), ("G2 Bb3 D4 G4", "e"), ("A2 A3 C#4 E4", "o"))
CHEER = (("C3 G3 C4 E4", "a"), ("F2 A3 C4 F4", "o"), ("G2 B3 D4 G4", "a"), ("C3 G3 C4 G4", "a"))
ROUND = "D4 F#4 A4 D5 A4 F#4 E4+A3 G4 B4 E5 B4 G4 F#4+D4 A4 D5 F#5 E5 C#5 D5+D4 A4 F#4 D4 A3 -"
STRINGS = "D3+A4 F4 A4 D5 C5 A4 Bb3+Bb4 D5 F5 D5 Bb4 G4 A3+C#5 E5 A4 G4 F4 E4"
LULLABY = "A3+E4 C5 B4 A4 E4 C4 F3+C4 A4 G4 F4 C4 A3 G3+D4 B4 A4 G4 D4 B3 C4+G3 E4 G4 C5 B4 G4"
WALTZ = (
    ("C3", "E4 G4", "E5 G5 E5"), ("G2", "F4 G4", "D5 B4 D5"), ("C3", "E4 G4", "C5 E5 G5"), ("C3", "E4 G4", "A5 G5"),
    ("F2", "A3 C4", "F5 A5 F5"), ("C3", "E4 G4", "E5 C5 E5"), ("G2", "F4 B3", "D5 F5 B4"), ("C3", "E4 G4", "C5"),
)  # fmt: skip
SLOW_WALTZ = (
    ("A2", "C4 E4", "A4 C5"), ("D3", "F4 A3", "F5 E5 D5"), ("E3", "G#3 B3", "E5 B4"), ("A2", "C4 E4", "C5 B4 A4"),
)  # fmt: skip


def perform(what: str, seconds: float, rate_hz: int, rng: np.random.Generator) -> Array:
    """The named piece, (frames,) or (frames, 2). Raises ValueError where there is none of this name."""
    match what:
        case "hymn":
            return sounds.choir(HYMN, seconds, rate_hz, rng)
        case "kyrie":
            return sounds.choir(KYRIE, seconds, rate_hz, rng)
        case "cheer":
            return sounds.choir(CHEER, seconds, rate_hz, rng, singers=2)
        case "round":
            return sounds.zither(ROUND.split(), 0.29, seconds, rate_hz, rng)
        case "strings":
            return sounds.zither(STRINGS.split(), 0.27, seconds, rate_hz, rng)
        case "lullaby":
            return sounds.zither(LULLABY.split(), 0.36, seconds, rate_hz, rng)
        case "waltz":
            return sounds.squeeze_box(WALTZ, 1.15, seconds, rate_hz, rng)
        case "slow waltz":
            return sounds.squeeze_box(SLOW_WALTZ, 1.6, seconds, rate_hz, rng)
        case "ferry":
            return sounds.speech(seconds, rate_hz, rng, base_hz=196.0)
        case "mill" | "toast":
            return sounds.speech(seconds, rate_hz, rng, base_hz=112.0)
        case "voice 1" | "voice 2":
            return sounds.speech(seconds, rate_hz, rng, base_hz=128.0)
    raise ValueError(f"nobody plays {what!r}")
