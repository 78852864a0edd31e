"""Captures to work on: 96 kHz, 24 bits, stereo; leader, a slow reference tone, speech and music with hiss, run-out.

A varied minute of programme comes again and again, the hiss over it is fresh throughout, so nothing repeats exactly.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from tests.programme import both, music_like, noise, speech_like

RATE_HZ = 96_000
NOMINAL_HZ, READ_HZ = 440.0, 436.0
RATIO = NOMINAL_HZ / READ_HZ
LEADER_S, TONE_S, TAIL_S = 8, 30, 12
BOX_TOML = """\
[box]
id = "bench"
title = "Benchmark"
owner = "nobody"
rights = "none"
language = "en"

[deck]
file = "deck.toml"

[reference]
tone_hz = [440.0]
"""


def make_box(folder: Path, sides: int, seconds: int) -> Path:
    """A box of tapes with two sides each (one, if there is but one side); made once, then kept."""
    rows = [(f"T{1 + n // 2:04d}", "AB"[n % 2]) for n in range(sides)]
    (folder / "captures").mkdir(parents=True, exist_ok=True)
    (folder / "box.toml").write_text(BOX_TOML)
    (folder / "deck.toml").write_text('[deck]\nlabel = "Benchmark deck"\n')
    (folder / "tapes.csv").write_text(
        "tape,side,capture,title\n" + "".join(f"{t},{s},captures/{t}-{s}.wav,Trial {t} {s}\n" for t, s in rows)
    )
    for number, (tape, side) in enumerate(rows):
        path = folder / "captures" / f"{tape}-{side}.wav"
        if not path.exists():
            part = path.with_suffix(".part")
            write_capture(part, seconds, seed=number)
            part.rename(path)
    return folder


def write_capture(path: Path, seconds: int, seed: int) -> None:
    minute = programme_minute()
    rng = np.random.default_rng(seed)
    phase, wow = 0.0, 0.001
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, "PCM_24", format="WAV") as sound:
        for second in range(seconds):
            frames = np.arange(RATE_HZ)
            block = rng.standard_normal((RATE_HZ, 2), dtype=np.float32) * np.float32(10 ** (-52 / 20))
            at = second - LEADER_S - TONE_S - 4
            if second < LEADER_S or seconds - second <= 4:
                block *= np.float32(0.01)  # leader: the electronics alone
            elif second < LEADER_S + TONE_S:
                hz = READ_HZ * (1 + wow * np.sin(2 * np.pi * 3 * (second + frames / RATE_HZ)))
                turns = phase + np.cumsum(hz) / RATE_HZ
                phase = turns[-1] % 1
                block += (0.2 * np.sin(2 * np.pi * turns)).astype(np.float32)[:, None]
            elif at >= 0 and seconds - second > TAIL_S:
                start = at % 60 * RATE_HZ
                block += minute[start : start + RATE_HZ]
            sound.write(block)


def programme_minute() -> np.ndarray:
    """Twenty seconds of one voice, forty of a band."""
    speech = both(speech_like(20, RATE_HZ, seed=3))
    return np.concatenate([speech, music_like(40, RATE_HZ, seed=5)]) + noise(60 * RATE_HZ, 2, 7, -60)
