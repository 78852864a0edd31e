"""What a person should know beside the figures of a bench run."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.bench_record import Bench
from pipeline.bench_speed import NamedTones
from pipeline.channels import Layout
from pipeline.events import Event, EventKind
from pipeline.qc import Finding, Severity
from pipeline.records import NotMeasured

SHORT_MEAN_S = 29.0  # DIN 45500 takes the mean speed over 30 s; a tone's ends are lost
CLEAR_OF_FLOOR = 2.0  # a reading less than this many times the floor's is nearly all hiss
TWO_SIGMA_OVER_RMS = 2.0  # of the floor, which is Gaussian
AMBIGUOUS, NO_TONE, NO_NOMINAL = "tone-ambiguous", "no-tone", "no-nominal"
_NOT_LOGGED = (AMBIGUOUS, NO_TONE, NO_NOMINAL)  # such a speed must correct nothing


def find_on_bench(bench: Bench, named: NamedTones, events: tuple[Event, ...]) -> tuple[Finding, ...]:
    """Worst first."""
    found = [*_tones(bench, named), *_flutter(bench), *_channels(bench), *_capture(bench, events)]
    order = [Severity.FAIL, Severity.WARN, Severity.INFO]
    return tuple(sorted(found, key=lambda finding: order.index(finding.severity)))


def is_to_be_logged(bench: Bench) -> bool:
    """Whether the deck's log may learn from this run: captures are corrected by what stands there."""
    return not any(finding.code in _NOT_LOGGED for finding in bench.findings)


def _found(code: str, severity: Severity, message: str, value: float | None = None) -> Finding:
    return Finding(code, severity, message, None, None, value, None)


def _tones(bench: Bench, named: NamedTones) -> Iterator[Finding]:
    if not bench.tones:
        message = "no steady tone was found: is this a test tape, and did the deck play?"
        yield _found(NO_TONE, Severity.FAIL, message)
        return
    known = [tone for tone in bench.tones if not isinstance(tone.nominal_hz, NotMeasured)]
    if not known:
        read = ", ".join(f"{tone.measured_hz:.1f}" for tone in bench.tones)
        why = next(tone.nominal_hz.reason for tone in bench.tones if isinstance(tone.nominal_hz, NotMeasured))
        message = f"tones of {read} Hz were found, and none of them has a nominal to compare with. {why}"
        yield _found(NO_NOMINAL, Severity.FAIL, message)
    for measured_hz, other_hz in named.ambiguous:
        message = (
            f"the tone of {measured_hz:.1f} Hz may as well be meant for {other_hz:g} Hz: declare it with --tone. This"
            " result is not written to the deck's log"
        )
        yield _found(AMBIGUOUS, Severity.WARN, message, measured_hz)
    if named.assumed and known and not named.ambiguous:
        taken = ", ".join(f"{tone.nominal_hz:g}" for tone in known if not isinstance(tone.nominal_hz, NotMeasured))
        message = f"nobody said which tones the tape has; they were taken for {taken} Hz. --tone makes it sure"
        yield _found("tone-assumed", Severity.INFO, message)
    if bench.speed.tones_agree is False and not isinstance(bench.speed.difference_percent, NotMeasured):
        message = f"the tones differ by {bench.speed.difference_percent:.3f} %: {_why_they_differ(bench)}"
        yield _found("tones-disagree", Severity.WARN, message, bench.speed.difference_percent)
    longest_s = max((tone.stop_s - tone.start_s for tone in known), default=SHORT_MEAN_S)
    if longest_s < SHORT_MEAN_S:
        message = f"the longest tone lasts {longest_s:.0f} s; speed is usually stated as the mean over 30 s"
        yield _found("tone-short", Severity.INFO, message, longest_s)


def _why_they_differ(bench: Bench) -> str:
    """Runs of one tone that differ as much show that it is the speed; otherwise the tones themselves are in doubt."""
    pack, all_tones = bench.speed.pack_percent, bench.speed.difference_percent
    if not isinstance(pack, NotMeasured) and not isinstance(all_tones, NotMeasured) and pack > all_tones / 2:
        return f"the speed itself changes along the tape, by {pack:.3f} % between runs of one tone"
    return "the speed changes along the tape, a nominal is wrong, or the tape is not what its label says"


def _flutter(bench: Bench) -> Iterator[Finding]:
    peak, floor = bench.flutter.weighted_peak_percent, bench.flutter.weighted_floor_percent
    if isinstance(peak, NotMeasured) or isinstance(floor, NotMeasured):
        return
    if peak < CLEAR_OF_FLOOR * TWO_SIGMA_OVER_RMS * floor:
        message = (
            f"weighted flutter of {peak:.3f} % is hardly more than the hiss beside the tone reads: a louder tone helps"
        )
        yield _found("flutter-near-floor", Severity.INFO, message, peak)
    named = [line for line in bench.flutter.components if not isinstance(line.part, NotMeasured)]
    if bench.flutter.components and not named and len(bench.parts) <= 2:
        message = "the deck's file names no rotating parts: measure them with a caliper, and every line gets its name"
        yield _found("no-parts", Severity.INFO, message)


def _channels(bench: Bench) -> Iterator[Finding]:
    dead = {Layout.LEFT_ONLY: "right", Layout.RIGHT_ONLY: "left"}
    if bench.layout in dead:
        message = f"the {dead[bench.layout]} channel is dead: look at the lead and the head"
        yield _found("channel-dead", Severity.WARN, message)
    if bench.azimuth.inverted:
        message = "the channels have opposite polarity: one of them is wired the wrong way round"
        yield _found("polarity-inverted", Severity.WARN, message)


def _capture(bench: Bench, events: tuple[Event, ...]) -> Iterator[Finding]:
    if bench.capture.length_is_wrong:
        message = "the capture's header promises another length than the file holds: the recorder was cut off"
        yield _found("capture-cut-off", Severity.WARN, message)
    clips = sum(event.kind is EventKind.CLIP for event in events)
    if clips:
        message = f"the capture is overdriven at {clips} places: level, distortion and response are not to be trusted"
        yield _found("clip", Severity.WARN, message, float(clips))
    gaps = sum(event.kind is EventKind.GAP for event in events)
    if gaps:
        message = f"samples are missing at {gaps} places: the recorder lost them, capture again"
        yield _found("gap", Severity.WARN, message, float(gaps))
