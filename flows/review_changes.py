"""What the review page asks to have changed: read strictly, and turned into the same words `feltpad rerun` takes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from flows.settle import AnswerGiven
from pipeline.again import Wishes
from pipeline.decisions import ChannelUse
from pipeline.errors import DecisionError
from pipeline.settling import Said, cleaned
from pipeline.speed import SpeedSource

MOST_BYTES = 100_000
_SOURCES = (SpeedSource.TONE, SpeedSource.BENCH, SpeedSource.NONE)


def answers_from(document: Any) -> list[AnswerGiven]:
    """``{"answers": [{"side", "code", "at_s", "said", "note"}]}``. Raises DecisionError where it is not that."""
    answers = _of(document, "answers", list)
    if not 1 <= len(answers) <= 1000:
        raise DecisionError(f"answers: expected 1 to 1000, found {len(answers)}")
    return [
        AnswerGiven(
            _choice(entry, "said", Said),
            _of(entry, "code", str),
            _number(entry, "at_s"),
            _of(entry, "side", str),
            cleaned(_of(entry, "note", str, "")),
        )
        for entry in answers
    ]


def name_from(document: Any) -> tuple[str, str]:
    """``{"name", "note"}`` of a sign-off."""
    return _of(document, "name", str), _of(document, "note", str, "")


def wishes_from(document: Any) -> tuple[str, Wishes]:
    """The side, and what is wished otherwise; what is left out stays as it is."""
    source = _choice(document, "source", SpeedSource, may_be_left_out=True)
    if source is not None and source not in _SOURCES:
        raise DecisionError(f"source: expected one of {', '.join(_SOURCES)}, found {source}")
    ratio = _number(document, "ratio")
    if ratio is not None and not 0.5 <= ratio <= 2:
        raise DecisionError(f"expected a ratio near 1 (true / read), found {ratio:g}")
    for name in ("read_hz", "true_hz"):
        value = _number(document, name)
        if value is not None and not 1 <= value <= 96_000:
            raise DecisionError(f"expected a frequency in Hz, found {value:g}")
    wishes = Wishes(
        read_hz=_number(document, "read_hz"),
        true_hz=_number(document, "true_hz"),
        ratio=ratio,
        source=source,
        start_s=_number(document, "start_s"),
        stop_s=_number(document, "stop_s"),
        channels=_choice(document, "channels", ChannelUse, may_be_left_out=True),
        reason=cleaned(_of(document, "reason", str, "")),
    )
    return _of(document, "side", str), wishes


def rerun_arguments(archive: str, tape: str, side: str, wishes: Wishes) -> list[str]:
    """The wishes as they are typed after ``feltpad rerun``.

    >>> rerun_arguments("a", "T1", "A", Wishes(start_s=2.5))
    ['--tape=T1', '--side=A', '--start=2.5', '--quiet', '--', 'a']
    """
    typed = {
        "read": wishes.read_hz,
        "true": wishes.true_hz,
        "ratio": wishes.ratio,
        "speed": wishes.source.value if wishes.source else None,
        "start": wishes.start_s,
        "stop": wishes.stop_s,
        "channels": wishes.channels.value if wishes.channels else None,
        "reason": wishes.reason or None,
    }
    options = [f"--{name}={value}" for name, value in typed.items() if value is not None]
    return [f"--tape={tape}", f"--side={side}", *options, "--quiet", "--", archive]


def _of(document: Any, name: str, kind: type, default: Any = None) -> Any:
    value = document.get(name, default) if isinstance(document, Mapping) else None
    if not isinstance(value, kind):
        raise DecisionError(f"{name}: expected {kind.__name__}, found {str(value)[:40]!r}")
    return value


def _number(document: Any, name: str) -> float | None:
    value = document.get(name) if isinstance(document, Mapping) else None
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise DecisionError(f"{name}: expected a number, found {str(value)[:40]!r}")
    return float(value)


def _choice(document: Any, name: str, kind: type, may_be_left_out: bool = False) -> Any:
    value = document.get(name) if isinstance(document, Mapping) else None
    if value is None and may_be_left_out:
        return None
    try:
        return kind(value)
    except ValueError:
        known = ", ".join(str(entry.value) for entry in kind)  # type: ignore[attr-defined]
        raise DecisionError(f"{name}: expected one of {known}, found {str(value)[:40]!r}") from None
