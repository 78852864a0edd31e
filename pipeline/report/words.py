"""Numbers and sources in plain words, for a person who repairs recorders."""

from __future__ import annotations

import re
import shlex

from markupsafe import Markup, escape

from pipeline.decisions import ChannelUse
from pipeline.measurement import Measurement
from pipeline.qc import Finding, Severity, SideQC, Verdict
from pipeline.records import NotMeasured, Reading
from pipeline.speed import SpeedSource

NBSP = "\u00a0"  # holds a number and its unit on one line

VERDICT_WORDS = {
    Verdict.PASS: ("Pass", "Good to keep. Nothing was found that needs attention."),
    Verdict.WARN: ("Warn", "Usable, but some points below want your ears or your eyes."),
    Verdict.FAIL: ("Fail", "Do not rely on these copies yet. Look at the points below first."),
}
VERDICT_SIGNS = {Verdict.PASS: "✓", Verdict.WARN: "▲", Verdict.FAIL: "✕"}
SEVERITY_SIGNS = {Severity.FAIL: "✕", Severity.WARN: "▲", Severity.INFO: "○"}

SOURCE_WORDS = {
    SpeedSource.TONE: "a tone on this capture",
    SpeedSource.BENCH: "the deck's test tape",
    SpeedSource.READING: "a reading a person made",
    SpeedSource.RATIO: "a ratio a person gave",
    SpeedSource.HUM: "mains hum on the tape",
    SpeedSource.NONE: "nothing: no reference",
}
_PROVES = {
    SpeedSource.TONE: (
        "If another machine recorded the tone, this correction takes out the error of that recording and of this "
        "replay together. On the deck's own test tape it is the replay error alone.",
        "If this same deck recorded the tone, its own error cancels and the tone shows nothing. A tone at one spot "
        "does not tell the speed further on; see drift.",
    ),
    SpeedSource.BENCH: (
        "The deck's own replay error, measured from its test tape, is taken out.",
        "It knows nothing of the machine that recorded this tape: if that one ran fast or slow, its error is still in "
        "the copies. It holds as long as the deck runs as it did on the bench.",
    ),
    SpeedSource.READING: (
        "The copies play so that what was read comes out at its true frequency.",
        "It is as good as that reading. feltpad did not measure it on this capture.",
    ),
    SpeedSource.RATIO: (
        "The copies are played at exactly the ratio that was given.",
        "Nothing on this capture was held against it.",
    ),
    SpeedSource.HUM: (
        "Hum recorded on the tape follows the recording machine and this replay together.",
        "The mains themselves wander by a few parts in a thousand, and hum from this deck proves nothing.",
    ),
    SpeedSource.NONE: (
        "Nothing. The copies play at the speed this deck played them.",
        "Whether that speed is right. A tone, a test tape of the deck or a reading would tell.",
    ),
}
CHANNEL_WORDS = {
    ChannelUse.AS_CAPTURED: "every channel as it is",
    ChannelUse.RIGHT_FLIPPED: "both channels, the right one turned over",
    ChannelUse.AVERAGE: "one channel: the mean of left and right",
    ChannelUse.DIFFERENCE: "one channel: half of left minus right",
    ChannelUse.LEFT: "one channel: the left",
    ChannelUse.RIGHT: "one channel: the right",
}

LIMIT_UNITS = {  # of the findings that are held against a limit; "s" is told as counter time
    "bench-old": "days",
    "capture-rate-low": "Hz",
    "capture-bits-low": "bits",
    "capture-quiet": "dBFS",
    "capture-hot": "dBTP",
    "dc-offset": "%",
    "dc-wanders": "%",
    "channels-unbalanced": "dB",
    "azimuth-off": "µs",
    "hum": "dB",
    "flutter-high": "%",
    "access-quiet": "LU",
    "master-clipped": "samples",
    "print-through": "dB",
    "side-too-long": "s",
    "side-cut-short": "s",
    "side-not-whole": "s",
    "treble-lost-in-replay": "Hz",
    "treble-missing": "Hz",
    **dict.fromkeys(("speed-uncertain", "speed-drifts", "speed-sources-disagree"), "%"),
    **dict.fromkeys(("speed-far-off", "speed-off", "speed-corrected"), "%"),
}


def number(value: float, digits: int, signed: bool = False) -> str:
    """Fixed digits with a true minus sign; never "−0.0".

    >>> number(-0.909, 3), number(-0.0001, 2), number(1.5, 1, signed=True)
    ('−0.909', '0.00', '+1.5')
    """
    text = f"{value:{'+' if signed else ''}.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", "−")


def reading(value: Reading, unit: str, digits: int, signed: bool = False) -> str | NotMeasured:
    """The number with its unit, or still the reason why there is none."""
    return value if isinstance(value, NotMeasured) else f"{number(value, digits, signed)}{NBSP}{unit}".rstrip()


def doubt(value: Reading, unit: str, digits: int) -> str | NotMeasured:
    """An uncertainty: never told finer than its value is, nor rounded down to nothing.

    >>> doubt(0.11, "%", 3), doubt(0.0002, "%", 3)
    ('±\xa00.110\xa0%', 'below ±\xa00.001\xa0%')
    """
    if isinstance(value, NotMeasured):
        return value
    least = 10.0**-digits
    known = f"±{NBSP}{number(max(value, least), digits)}{NBSP}{unit}"
    return known if value >= least else f"below {known}"


def clock(seconds: float, digits: int = 0) -> str:
    """Counter time.

    >>> clock(64.26, 1), clock(3725), clock(59.96, 1), clock(-0.0)
    ('1:04.3', '1:02:05', '1:00.0', '0:00')
    """
    units = round(seconds * 10**digits)
    whole, rest = divmod(units, 10**digits)
    minutes, second = divmod(whole, 60)
    hours, minute = divmod(minutes, 60)
    head = f"{hours}:{minute:02d}:{second:02d}" if hours else f"{minute}:{second:02d}"
    return f"{head}.{rest:0{digits}d}" if digits else head


def in_all(seconds: float) -> str:
    """How much audio there is, roughly.

    >>> in_all(20.0), in_all(3599.0), in_all(5400.0)
    ('1\xa0min', '60\xa0min', '1.5\xa0h')
    """
    return f"{number(seconds / 3600, 1)}{NBSP}h" if seconds >= 3600 else f"{max(1, round(seconds / 60))}{NBSP}min"


def span(start_s: float | None, stop_s: float | None) -> str:
    """Where on the capture.

    >>> span(None, None), span(61.0, None), span(61.0, 62.5)
    ('whole side', '1:01.0', '1:01.0 to 1:02.5')
    """
    if start_s is None:
        return "whole side"
    start = clock(start_s, 1)
    return start if stop_s is None or clock(stop_s, 1) == start else f"{start} to {clock(stop_s, 1)}"


def proves(source: SpeedSource) -> tuple[str, str]:
    """What a correction from this source proves, and what it does not."""
    return _PROVES[source]


def tuning_advice(cents: Reading) -> str | NotMeasured:
    """The music's own pitch against A = 440 Hz: advice only, it repeats at every semitone."""
    if isinstance(cents, NotMeasured):
        return cents
    percent = 100 * (2 ** (cents / 1200) - 1)
    return (
        f"{number(cents, 0, signed=True)} cents from A = 440 Hz ({number(percent, 2, signed=True)} %) as captured, or "
        "a whole number of semitones more. Advice only: instruments are tuned as they please. Never applied."
    )


def rerun_commands(archive: str, tape: str, side: SideQC) -> tuple[tuple[str, str], ...]:
    """(what it is for, the command) for each decision a person can change. The numbers in them are to be replaced."""
    base = f"feltpad rerun {shlex.quote(archive)} --tape {shlex.quote(tape)} --side {shlex.quote(side.side)}"
    cut = side.decisions.cut
    return (
        ("Another reading: what the tone reads in Hz, and what it truly is.", f"{base} {_reading_options(side)}"),
        (
            "The speed ratio outright; 1 leaves the speed as captured.",
            f"{base} --ratio {side.decisions.speed.ratio:.6f}",
        ),
        ("Other cut points, in seconds of the capture.", f"{base} --start {cut.start_s:.2f} --stop {cut.stop_s:.2f}"),
    )


def _reading_options(side: SideQC) -> str:
    speed = side.decisions.speed
    if speed.read_hz is not None and speed.true_hz is not None:
        return f"--read {speed.read_hz:.6g} --true {speed.true_hz:.6g}"
    read_hz, true_hz = _first_matched_tone(side.measurement) or (436.0, 440.0)
    return f"--read {read_hz:.6g} --true {true_hz:.6g}"


def _first_matched_tone(measurement: Measurement) -> tuple[float, float] | None:
    for tone in measurement.tones:
        if not isinstance(tone.nominal_hz, NotMeasured):
            return tone.measured_hz, tone.nominal_hz
    return None


def beside_limit(finding: Finding) -> str:
    """What was measured and what is allowed; "" where nothing limits it, for the message tells the value itself."""
    if finding.value is None or finding.limit is None:
        return ""
    value, limit = (_in_unit(reading, LIMIT_UNITS.get(finding.code, "")) for reading in (finding.value, finding.limit))
    return f"measured {value}, limit {limit}"


def _in_unit(value: float, unit: str) -> str:
    if unit == "s":
        return clock(value)
    short = re.sub(r"\.?0+$", "", number(value, 3))
    return f"{short}{NBSP}{unit}".rstrip()


def typeset(text: str) -> str:
    """A message as it stands in records, for a page: with true minus signs, but for what is a command.

    >>> typeset("to -18 LUFS under -1 dBTP, use `rerun --gain -3`; T1-A is re-recorded")
    'to −18 LUFS under −1 dBTP, use `rerun --gain -3`; T1-A is re-recorded'
    """
    parts = text.split("`")
    parts[::2] = [re.sub(r"(?<![\w-])-(?=\d)", "−", part) for part in parts[::2]]
    return "`".join(parts)


def with_code(text: str) -> Markup:
    """A message for a page, escaped; what stands between backticks, as on a terminal, is a command.

    >>> with_code("use `feltpad rerun` with a < b")
    Markup('use <code>feltpad rerun</code> with a &lt; b')
    """
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(typeset(text)))))
