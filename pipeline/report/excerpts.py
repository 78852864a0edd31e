"""Short listening excerpts for the page: cut from samples handed in, encoded small, the same bytes every time.

This is pydub's one door. pydub holds whole signals in memory, so only seconds of audio ever pass through here.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from pipeline.decisions import ChannelUse, Decisions
from pipeline.qc import Finding, SideQC
from pipeline.report.criteria import ExcerptCriteria
from pipeline.report.findings import group_findings
from pipeline.report.pictures import excerpt_picture

Array = np.ndarray[Any, Any]
Read = Callable[[float, float], Array]  # (start_s, stop_s) to float32 (frames, channels); may give less at the ends

_MIMES = {"mp3": "audio/mpeg", "opus": "audio/ogg; codecs=opus"}
_SAME_DURATION = 1e-9
ENCODERS = 2  # at once: each is a process that mostly starts and ends


@dataclass(frozen=True)
class Excerpt:
    """Encoded audio, ready for a data URI."""

    audio: bytes
    mime: str
    seconds: float


@dataclass(frozen=True)
class Place:
    """Where to listen, in seconds of the capture."""

    name: str
    start_s: float
    stop_s: float


@dataclass(frozen=True)
class Sound:
    """A way to samples, and their rate."""

    read: Read
    rate_hz: int


@dataclass(frozen=True)
class Listening:
    """A place with what is heard there: the capture, the corrected master where it differs, a spectrogram (PNG)."""

    place: Place
    before: Excerpt
    after: Excerpt | None
    picture: bytes


def cut_excerpt(samples: Array, rate_hz: int, criteria: ExcerptCriteria) -> Excerpt:
    """Encode ``samples``, float32 (frames, channels) with 1 or 2 channels. Raises ValueError when there are none."""
    if samples.ndim != 2 or not len(samples) or samples.shape[1] not in (1, 2):
        raise ValueError(f"samples must be (frames, 1 or 2 channels) with at least one frame: {samples.shape}")
    audio_segment = _pydub()
    channels = samples.shape[1]
    whole = np.clip(np.round(samples * np.float32(32767)), -32768, 32767).astype("<i2")
    segment = audio_segment(data=whole.tobytes(), sample_width=2, frame_rate=rate_hz, channels=channels)
    fade_ms = min(criteria.fade_ms, len(segment) // 2)
    if fade_ms:
        segment = segment.fade_in(fade_ms).fade_out(fade_ms)
    rate_hz = 48_000 if criteria.format == "opus" else criteria.rate_hz
    encoded = segment.export(
        io.BytesIO(),
        format=criteria.format,
        bitrate=f"{criteria.mono_kbps if channels == 1 else criteria.stereo_kbps}k",
        parameters=["-ar", str(rate_hz), "-bitexact", "-map_metadata", "-1", "-threads", "1"],
    )
    return Excerpt(encoded.read(), _MIMES[criteria.format], len(samples) / segment.frame_rate)


def find_places(side: SideQC, criteria: ExcerptCriteria) -> tuple[Place, ...]:
    """Head, middle and tail of what is kept, then the worst findings that have a moment and are not yet covered."""
    cut = side.decisions.cut
    seconds = min(criteria.place_s, cut.stop_s - cut.start_s)
    if seconds <= 0:
        return ()
    middle = (cut.start_s + cut.stop_s - seconds) / 2
    starts = {"head": cut.start_s, "middle": middle, "tail": cut.stop_s - seconds}
    places = [Place(name, start, start + seconds) for name, start in starts.items()]
    if cut.stop_s - cut.start_s < 2 * seconds:
        places = places[:1]
    for finding in _turn_about(side.findings)[: criteria.findings_most * 4]:
        if len(places) >= 3 + criteria.findings_most:
            break
        if place_of(finding, places) is None:
            places.append(_around(finding, side.measurement.capture.duration_s, criteria.finding_s))
    return tuple(places)


def place_of(finding: Finding, places: Sequence[Place]) -> Place | None:
    """The place in which the finding's beginning is heard, if there is one."""
    if finding.start_s is None:
        return None
    return next((p for p in places if p.start_s <= finding.start_s <= p.stop_s), None)


def cut_listening(
    side: SideQC, capture: Sound, master: Sound | None, criteria: ExcerptCriteria
) -> tuple[Listening, ...]:
    """Excerpts at every place of `find_places`: from the capture, and from the master where that sounds different."""

    def listen(place: Place) -> Listening | None:
        before = capture.read(place.start_s, place.stop_s)
        if not len(before):
            return None
        after = None
        if master is not None and sounds_different(side.decisions):
            after = _after(side.decisions, place, master, criteria)
        picture = excerpt_picture(before, capture.rate_hz, criteria.picture_columns, criteria.picture_rows)
        return Listening(place, cut_excerpt(before, capture.rate_hz, criteria), after, picture)

    with ThreadPoolExecutor(ENCODERS) as pool:
        return tuple(heard for heard in pool.map(listen, find_places(side, criteria)) if heard is not None)


def sounds_different(decisions: Decisions) -> bool:
    """Whether the master differs from the capture in more than its length."""
    changed_channels = decisions.channels.use is not ChannelUse.AS_CAPTURED
    return decisions.speed.ratio != 1 or decisions.equalisation.changes or changed_channels


def _after(decisions: Decisions, place: Place, master: Sound, criteria: ExcerptCriteria) -> Excerpt | None:
    """The same stretch of programme in the master, which begins at the cut and runs ``ratio`` times faster."""
    cut, ratio = decisions.cut, decisions.speed.ratio
    start_s, stop_s = (
        (np.clip(t, cut.start_s, cut.stop_s) - cut.start_s) / ratio for t in (place.start_s, place.stop_s)
    )
    samples = master.read(float(start_s), float(stop_s)) if stop_s - start_s > _SAME_DURATION else np.zeros((0, 1))
    return cut_excerpt(samples, master.rate_hz, criteria) if len(samples) else None


def _turn_about(findings: Sequence[Finding]) -> list[Finding]:
    """The worst of each kind, then the second worst of each: no kind crowds out another. Only those with a moment."""
    timed = [finding for finding in findings if finding.start_s is not None]
    groups = [group.findings for group in group_findings(timed)]
    longest = max(map(len, groups), default=0)
    return [group[rank] for rank in range(min(longest, 50)) for group in groups if rank < len(group)]


def _around(finding: Finding, duration_s: float, seconds: float) -> Place:
    assert finding.start_s is not None
    start_s = max(0.0, min(finding.start_s - seconds / 3, duration_s - seconds))
    return Place(finding.code, start_s, min(duration_s, start_s + seconds))


@cache
def _pydub() -> Any:
    """pydub's AudioSegment with the ffmpeg that comes in a wheel. pydub warns at import when the machine has none."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import imageio_ffmpeg
        from pydub import AudioSegment

    AudioSegment.converter = imageio_ffmpeg.get_ffmpeg_exe()
    return AudioSegment
