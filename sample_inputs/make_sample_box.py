"""Make the sample box: every capture in it, and the test tape, from nothing but numbers.

    python sample_inputs/make_sample_box.py [--out DIR]

Village, people and machines are invented. The same bytes of audio come out each time on one machine. `TRUTH` is the
one place that says what stands on each capture; `truths` tells it to whoever wants to check a measurement.
"""

from __future__ import annotations

import argparse
import hashlib
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import sample_machine as machine
import soundfile
from sample_pieces import perform

Array = np.ndarray[Any, Any]
HERE = Path(__file__).resolve().parent

# How the two channels of a capture came about.
SINGLE = "one channel"
MONO_SWITCH = "the deck's mono switch: the same signal on both"
MONO_TAPE = "a mono track under both gaps of the head: the same programme, hiss of each gap's own"
STEREO = "stereo"
RIGHT_DEAD = "stereo lead with a broken right core"


@dataclass(frozen=True)
class Take:
    """One capture before it is made.

    stretches   what stands where and for how many seconds of the capture: "leader", "silence" (hiss), "pause" (hiss
                within programme), "tone 440" (nominal Hz as recorded), or a piece of `sample_pieces`
    peak_dbfs   of the programme as played; tone_dbfs is the tone's r.m.s.
    late_us     by how much the right gap reads later than the left
    is_type_ii  recorded for 70 µs, replayed with 120
    tape_hum_dbfs  50 Hz that was recorded with the programme, and so runs slow
    fade_s      at the end of the programme, below the hiss
    ceiling     where an overdriven input cuts peaks off, full scale 1
    lost_s      (start, stop) of samples the recorder lost
    knock_s     when a key was pressed
    """

    stretches: str
    layout: str
    rate_hz: int = 48_000
    bits: int = 16
    peak_dbfs: float = -6.0
    tone_dbfs: float = -18.0
    hiss_dbfs: float = -66.0
    late_us: float = 0.0
    is_type_ii: bool = False
    tape_hum_dbfs: float | None = None
    fade_s: float = 0.0
    ceiling: float | None = None
    lost_s: tuple[tuple[float, float], ...] = ()
    knock_s: float | None = None

    @property
    def seconds(self) -> float:
        return self.laid_out()[-1][2]

    def laid_out(self) -> list[tuple[str, float, float]]:
        """The stretches as (what, start_s, stop_s)."""
        parts = [stretch.rpartition(" ") for stretch in self.stretches.split(", ")]
        edges_s = np.cumsum([0.0, *(float(seconds) for _, _, seconds in parts)]).round(6).tolist()
        return [(what, *edges) for (what, _, _), edges in zip(parts, pairwise(edges_s), strict=True)]


TRUTH = {
    "captures/PW-01-A.flac": Take(
        "leader 4.0, silence 1.4, tone 440 7.0, silence 2.6, hymn 12.4, silence 2.5",
        MONO_SWITCH,
        knock_s=0.7,
    ),
    "captures/PW-01-B.flac": Take(
        "leader 3.5, silence 1.3, round 11.6, silence 2.6, tone 440 6.0, silence 1.0, leader 3.0",
        MONO_SWITCH,
    ),
    "captures/PW-02-A.flac": Take(
        "leader 2.6, silence 1.4, ferry 14.0, silence 2.2",
        SINGLE,
        bits=24,
        tape_hum_dbfs=-66.0,
    ),
    "captures/PW-02-B.flac": Take(
        "leader 3.0, silence 1.6, mill 14.0, silence 2.4",
        SINGLE,
        tape_hum_dbfs=-66.0,
    ),
    "captures/PW-03-A.flac": Take(
        "leader 3.2, silence 1.2, tone 440 5.6, silence 2.4, kyrie 7.0, pause 1.2, strings 5.4, silence 2.2",
        STEREO,
        rate_hz=44_100,
        hiss_dbfs=-68.0,
        late_us=9.0,
        is_type_ii=True,
    ),
    "captures/PW-04-A.flac": Take(
        "leader 3.6, silence 1.5, waltz 8.05, silence 3.0, slow waltz 8.0, silence 2.4",
        RIGHT_DEAD,
        fade_s=3.0,
    ),
    "captures/PW-05-A.flac": Take(
        "leader 3.0, silence 1.2, tone 440 4.5, silence 2.3, toast 4.8, pause 0.6, cheer 4.0, silence 2.0",
        MONO_TAPE,
        peak_dbfs=8.0,
        late_us=11.0,
        ceiling=0.84,
        lost_s=((12.5, 12.516), (18.3, 18.348)),
    ),
    "captures/PW-06-A.flac": Take(
        "leader 1.8, silence 1.0, lullaby 5.4, silence 1.4",
        SINGLE,
        rate_hz=96_000,
        bits=24,
    ),
    "testtape/hedgerow-test-tape.flac": Take(
        "leader 2.4, silence 1.0, voice 1 1.6, silence 2.1, tone 440 12.0, silence 1.0, "
        "voice 2 1.6, silence 2.1, tone 3150 30.0, silence 2.0, tone 315 4.0, silence 2.0",
        MONO_TAPE,
        peak_dbfs=-14.0,
        tone_dbfs=-15.0,
        hiss_dbfs=-72.0,
        late_us=14.0,
    ),
}


@dataclass(frozen=True)
class SideTruth:
    """What a measurement of one capture should find; times in seconds of the capture.

    regions     (kind, start, stop), covering it whole; kinds as in a Measurement
    tones       (nominal_hz, measured_hz, start, stop)
    layout      as in a Measurement: mono, stereo, left-only
    deck_hum_hz, tape_hum_hz   fundamentals, as they stand on the capture; None: not there
    fades       the last programme sinks below the hiss, so its end is a matter of taste within a second
    """

    regions: tuple[tuple[str, float, float], ...]
    speed_error_percent: float
    tones: tuple[tuple[float, float, float, float], ...]
    layout: str
    delay_us: float
    is_clipped: bool
    gaps: tuple[tuple[float, float], ...]
    deck_hum_hz: float
    tape_hum_hz: float | None
    fades: bool


def truths() -> dict[str, SideTruth]:
    """The truth of every capture, by its path in the box."""
    return {path: _truth(take) for path, take in TRUTH.items()}


def _truth(take: Take) -> SideTruth:
    speed = 1 + machine.SPEED_ERROR_PERCENT / 100
    regions: list[tuple[str, float, float]] = []
    tones = []
    for what, start_s, stop_s in take.laid_out():
        kind = "tone" if what.startswith("tone") else what if what in ("leader", "silence") else "programme"
        if kind == "tone":
            nominal_hz = float(what.split()[1])
            tones.append((nominal_hz, nominal_hz * speed, start_s, stop_s))
        if regions and regions[-1][0] == kind:
            start_s = regions.pop()[1]
        regions.append((kind, start_s, stop_s))
    return SideTruth(
        regions=tuple(regions),
        speed_error_percent=machine.SPEED_ERROR_PERCENT,
        tones=tuple(tones),
        layout={STEREO: "stereo", RIGHT_DEAD: "left-only"}.get(take.layout, "mono"),
        delay_us=take.late_us,
        is_clipped=take.ceiling is not None,
        gaps=take.lost_s,
        deck_hum_hz=50.0,
        tape_hum_hz=None if take.tape_hum_dbfs is None else 50.0 * speed,
        fades=take.fade_s > 0,
    )


def make_capture(path: str, take: Take) -> Array:
    """The capture as its file holds it: int32 (frames, channels), in whole steps of its word length."""
    seed = int.from_bytes(hashlib.sha256(path.encode()).digest()[:8], "big")
    rng = np.random.default_rng(seed)
    count = round(take.seconds * take.rate_hz)
    clock = machine.deck_clock(take.seconds, rng)
    tape = _tape(take, clock, rng)
    off_tape = np.stack(
        [
            machine.replay(tape[:, channel], take.rate_hz, clock, count, channel * take.late_us * 1e-6)
            for channel in range(tape.shape[1])
        ],
        axis=1,
    )
    samples = machine.record(_through_deck(off_tape, take, rng), take.bits, rng)
    for start_s, stop_s in take.lost_s:
        samples[round(start_s * take.rate_hz) : round(stop_s * take.rate_hz)] = 0
    return samples


def _tape(take: Take, clock: machine.Clock, rng: np.random.Generator) -> Array:
    """What stands on the tape, (frames, gaps) in tape time: programme, tones, hiss; nothing where there is no oxide."""
    rate_hz, gaps = take.rate_hz, 1 if take.layout in (SINGLE, MONO_SWITCH) else 2
    tape = np.zeros((int(clock.at(take.seconds) * rate_hz) + 64, gaps))
    oxide = np.zeros(len(tape))
    places = [
        (what, round(float(clock.at(start_s)) * rate_hz), round(float(clock.at(stop_s)) * rate_hz))
        for what, start_s, stop_s in take.laid_out()
    ]
    for what, start, stop in places:
        if what == "leader":
            continue
        oxide[start : len(tape) if stop > len(tape) - 200 else stop] = 1.0
        if what.startswith("tone"):
            at_s = np.arange(stop - start) / rate_hz
            peak = np.sqrt(2) * 10 ** (take.tone_dbfs / 20)
            tape[start:stop] += peak * _edges(np.sin(2 * np.pi * float(what.split()[1]) * at_s), rate_hz)[:, None]
        elif what not in ("silence", "pause"):
            tape[start:stop] += _piece(what, stop - start, take, rng)[:, :gaps]
    if take.tape_hum_dbfs is not None:
        at_s = np.arange(len(tape)) / rate_hz
        tape += np.sqrt(2) * 10 ** (take.tape_hum_dbfs / 20) * np.sin(2 * np.pi * 50.0 * at_s)[:, None]
    tape = machine.tape_colour(tape, rate_hz, take.is_type_ii)
    for channel in range(gaps):
        tape[:, channel] += machine.tape_hiss(len(tape), rate_hz, take.hiss_dbfs, rng)
    soft = np.convolve(np.pad(oxide, 24, mode="edge"), np.ones(49) / 49, "valid")  # the splice passes the gap
    return tape * soft[:, None]


def _edges(wave: Array, rate_hz: int, seconds: float = 0.02) -> Array:
    edge = np.minimum(np.arange(len(wave)), np.arange(len(wave))[::-1]) / (seconds * rate_hz)
    return wave * np.minimum(edge, 1.0)


def _piece(what: str, count: int, take: Take, rng: np.random.Generator) -> Array:
    """A piece of programme of this length, (frames, 2), at its level."""
    seconds = count / take.rate_hz + 0.01
    sound = perform(what, seconds, take.rate_hz, rng)[:count]
    if sound.ndim == 1 or take.layout != STEREO:
        sound = np.repeat(sound.reshape(count, -1).mean(axis=1)[:, None], 2, axis=1)
    sound = sound * 10 ** (take.peak_dbfs / 20) / np.abs(sound).max()
    if take.fade_s and what == _programme(take)[-1]:
        left_s = np.arange(count)[::-1] / take.rate_hz
        sound *= 10 ** (-2.6 * np.clip(1 - left_s / take.fade_s, 0, 1))[:, None]
    for channel in range(2):
        sound[:, channel] = _edges(sound[:, channel], take.rate_hz, 0.04)
    return sound


def _programme(take: Take) -> list[str]:
    plain = ("leader", "silence", "pause")
    return [what for what, _, _ in take.laid_out() if what not in plain and not what.startswith("tone")]


def _through_deck(off_tape: Array, take: Take, rng: np.random.Generator) -> Array:
    """(frames, channels) at the recorder's input: electronics, hum, amplifier, and what went wrong after it."""
    count, rate_hz = len(off_tape), take.rate_hz
    sound = off_tape + machine.hum(count, rate_hz)[:, None]
    if take.knock_s is not None:
        sound += machine.key_knock(count, rate_hz, take.knock_s, rng)[:, None]
    for channel in range(sound.shape[1]):
        sound[:, channel] += machine.electronics(count, rate_hz, rng)
    sound = machine.amplifier(sound, rate_hz)
    if take.layout == MONO_SWITCH:
        sound = np.repeat(sound, 2, axis=1)
    if take.layout == RIGHT_DEAD:
        sound[:, 1] = 0.0
    if take.ceiling is not None:
        sound = np.clip(sound, -take.ceiling, take.ceiling)
    return sound


def write_box(out: Path, paths: Iterable[str] = tuple(TRUTH)) -> list[Path]:
    """The captures, and beside them the hand-written sheet and deck file; returns the audio files."""
    written = []
    for path in paths:
        take, target = TRUTH[path], out / path
        target.parent.mkdir(parents=True, exist_ok=True)
        shifted = make_capture(path, take) << (32 - take.bits)  # soundfile takes the upper bits of an int32
        subtype = f"PCM_{take.bits}"
        soundfile.write(target, shifted, take.rate_hz, subtype, format="FLAC", compression_level=1.0)
        written.append(target)
    if out.resolve() != HERE:
        for name in ("box.toml", "tapes.csv", "README.md"):
            shutil.copyfile(HERE / name, out / name)
        shutil.copytree(HERE / "decks", out / "decks", dirs_exist_ok=True)
    return written


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the sample box's captures and test tape.")
    parser.add_argument("--out", type=Path, default=HERE, metavar="DIR", help="default: the folder of this script")
    for path in write_box(parser.parse_args().out):
        print(f"{path}  {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
