"""A hand-made tape for the tests of the pages: records filled in by hand, pictures from synthetic sound."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.capture import CaptureFacts, Encoding
from pipeline.channels import Channels, Layout
from pipeline.decisions import (
    By,
    ChannelDecision,
    ChannelUse,
    CutDecision,
    Decisions,
    EqualisationDecision,
    GainDecision,
    SpeedDecision,
)
from pipeline.flutter import Flutter, FlutterComponent, Passes
from pipeline.hum import HumLine, HumOrigin
from pipeline.level import Levels
from pipeline.measurement import SCHEMA as MEASUREMENT_SCHEMA
from pipeline.measurement import Measurement
from pipeline.overview import Overview, OverviewMeter
from pipeline.print_through import PrintThrough
from pipeline.qc import CopyKind, CopyRecord, Finding, Severity, SideQC, Verdict
from pipeline.records import NotMeasured
from pipeline.regions import Region, RegionKind
from pipeline.report.contents import SidePage, TapePage
from pipeline.report.criteria import ReportCriteria
from pipeline.settings import read_settings, shipped
from pipeline.speed import Speed, SpeedSource
from pipeline.tone import Tone
from pipeline.treble import Treble

UNPRINTED = NotMeasured("nothing comes again before the loud starts")
CRITERIA = read_settings(ReportCriteria, shipped("config") / "report.toml")
RATE_HZ = 8000


def sound(seconds: float, seed: int = 1, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Leader, tone, programme-like bursts of noise and hiss; float32 (frames, 2)."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    swell = (0.5 + 0.5 * np.sin(2 * np.pi * t / 7)) ** 2 * (t > 0.08 * seconds) * (t < 0.93 * seconds)
    notes = sum(np.sin(2 * np.pi * 220 * 2 ** (k / 12) * t + k) for k in (0, 4, 7)) * 0.08
    wave = (notes + 0.05 * rng.standard_normal(len(t))) * swell + 0.001 * rng.standard_normal(len(t))
    wave += 0.1 * np.sin(2 * np.pi * 436 * t) * (t > 0.03 * seconds) * (t < 0.07 * seconds)
    return np.stack([wave, 0.8 * np.roll(wave, 1)], axis=1).astype(np.float32)


def overview_of(samples: np.ndarray, rate_hz: int = RATE_HZ) -> Overview:
    meter = OverviewMeter(rate_hz, samples.shape[1], len(samples), CRITERIA.overview)
    for start in range(0, len(samples), 5 * rate_hz):
        meter.feed(samples[start : start + 5 * rate_hz])
    return meter.overview()


def finding(code: str, severity: Severity, start_s: float | None = None, **more: object) -> Finding:
    stop_s = None if start_s is None else start_s + 0.05
    defaults = {"message": f"something about {code}", "stop_s": stop_s, "value": None, "limit": None}
    return Finding(code=code, severity=severity, start_s=start_s, **{**defaults, **more})


def side_qc(side: str = "A", findings: tuple[Finding, ...] = (), duration_s: float = 120.0) -> SideQC:
    """A side whose tone read 436 Hz for 440 Hz."""
    worst = min((f.severity for f in findings), key=["fail", "warn", "info"].index, default=Severity.INFO)
    verdict = {Severity.FAIL: Verdict.FAIL, Severity.WARN: Verdict.WARN}.get(worst, Verdict.PASS)
    return SideQC(
        side=side,
        verdict=verdict,
        revision=1,
        measurement=_measurement(side, duration_s),
        decisions=_decisions(side, duration_s),
        copies=tuple(_copy(kind, side, duration_s) for kind in CopyKind),
        findings=findings,
    )


def side_page(
    side: str = "A", findings: tuple[Finding, ...] = (), duration_s: float = 120.0, **more: object
) -> SidePage:
    words = {"Title": "Evening in the yard", "Creator": "R. Hollweg", "Date": "1984-06-02"}
    return replace(
        SidePage(
            qc=side_qc(side, findings, duration_s),
            words=words,
            overview=overview_of(sound(duration_s)),
            tuning_cents=-14.2,
            listening=(),
        ),
        **more,
    )


def tape_page(*sides: SidePage, **more: object) -> TapePage:
    order = [Verdict.FAIL, Verdict.WARN, Verdict.PASS]
    return replace(
        TapePage(
            tape="K-017",
            title="Evening in the yard",
            verdict=min((side.qc.verdict for side in sides), key=order.index),
            archive="archive",
            made="2026-02-11 10:42",
            words={"Box": "Hollweg family", "Owner": "M. Hollweg"},
            provenance={
                "Deck": {"Label": "Bench 2", "Model": "Varnholt CT-40", "Year": "1979", "Equalisation": "120 µs"},
                "Rotating parts": {"Capstan": "2.4 mm", "Pinch roller": "13.0 mm", "Flywheel belt": "231 mm"},
                "Service log": {"2025-11-02": "New flywheel belt, pulleys cleaned", "2026-01-20": "Head wiring remade"},
                "Software": {"feltpad": "0.1.0", "numpy": np.__version__},
            },
            sides=sides,
            failed=(),
        ),
        **more,
    )


def _measurement(side: str, duration_s: float) -> Measurement:
    edges = [0.0, 0.03, 0.07, 0.08, 0.93, 0.98, 1.0]
    kinds = [
        RegionKind.LEADER,
        RegionKind.TONE,
        RegionKind.SILENCE,
        RegionKind.PROGRAMME,
        RegionKind.SILENCE,
        RegionKind.LEADER,
    ]
    return Measurement(
        schema=MEASUREMENT_SCHEMA,
        capture=CaptureFacts(
            path=f"captures/K-017-{side}.wav",
            sha256="3f" * 32,
            audio_sha256="a9" * 32,
            sample_rate_hz=96_000,
            channels=2,
            encoding=Encoding.PCM_24,
            frames=int(duration_s * 96_000),
            length_is_wrong=False,
            duration_s=duration_s,
        ),
        regions=tuple(
            Region(kind, a * duration_s, b * duration_s)
            for kind, a, b in zip(kinds, edges[:-1], edges[1:], strict=True)
        ),
        tones=(Tone(0.03 * duration_s, 0.07 * duration_s, 440.0, 436.0, 0.004, -23.1),),
        speed=Speed(SpeedSource.TONE, -0.90909, 0.001, 440 / 436, NotMeasured("one tone only: no second moment")),
        flutter=_flutter(),
        levels=Levels(-3.2, -3.0, -21.4, -21.6, 8.9, -58.3, -81.0, 0.012, 0.004),
        channels=Channels(Layout.STEREO, -1.9, 41.2, 0.97, 0.8),
        hum=(HumLine(50.0, -71.2, HumOrigin.DECK), HumLine(150.0, -78.8, HumOrigin.UNKNOWN)),
        events=(),
        tuning_cents=-14.2,
        treble=Treble(12_700.0, 17_953.0),
        sags=(),
        print_through=PrintThrough(UNPRINTED, UNPRINTED, UNPRINTED, 0, 4),
    )


def _flutter() -> Flutter:
    too_short = NotMeasured("the tone lasts 4.8 s, 10 s are needed")
    no_part, no_hint = NotMeasured("no part of this deck turns at this rate"), NotMeasured("no part is named")
    return Flutter(
        weighted_peak_percent=0.14,
        unweighted_peak_percent=0.21,
        weighted_quasi_peak_percent=0.13,
        weighted_rms_percent=0.062,
        unweighted_rms_percent=0.09,
        wow_rms_percent=too_short,
        flutter_rms_percent=too_short,
        scrape_rms_percent=NotMeasured("a 440 Hz tone shows rates up to 200 Hz only"),
        weighted_floor_percent=0.004,
        unweighted_floor_percent=0.02,
        low_hz=0.2,
        high_hz=200.0,
        tone_hz=436.0,
        tone_s=14.6,
        passes=next(iter(Passes)),
        components=(
            FlutterComponent(6.31, 0.12, "capstan", "the capstan is bent or dirty", 0.01, 0.004, 0.0),
            FlutterComponent(1.2, 0.08, no_part, no_hint, 0.02, 0.004, 0.0),
        ),
    )


def _decisions(side: str, duration_s: float) -> Decisions:
    return Decisions(
        schema="feltpad.decisions/1",
        tape="K-017",
        side=side,
        revision=1,
        made="2026-02-11T10:40:12Z",
        reason="first run",
        speed=SpeedDecision(440 / 436, SpeedSource.TONE, 436.0, 440.0, By.AUTO, "tone at 0:03.6 reads 436.000 Hz"),
        cut=CutDecision(0.075 * duration_s, 0.95 * duration_s, By.AUTO, "programme with a margin"),
        channels=ChannelDecision(ChannelUse.AS_CAPTURED, By.AUTO, "two channels that differ"),
        equalisation=EqualisationDecision(120.0, None, By.SHEET, "the tape's type is not declared"),
        gain=GainDecision(0.0, -18.0, -1.0, None, By.AUTO, "loudness to the target"),
    )


def _copy(kind: CopyKind, side: str, duration_s: float) -> CopyRecord:
    suffix = "mp3" if kind is CopyKind.ACCESS else "flac"
    return CopyRecord(
        kind=kind,
        path=f"data/{kind.value}/K-017-{side}.{suffix}",
        bytes=41_234_567,
        sha256="5c" * 32,
        audio_sha256="e0" * 32,
        sample_rate_hz=96_000,
        channels=2,
        encoding="pcm24",
        duration_s=0.875 * duration_s * 436 / 440,
        integrated_lufs=-18.0 if kind is CopyKind.ACCESS else -21.3,
        true_peak_dbtp=-1.2,
        made_with="flac, level 5",
        gain_db=3.4 if kind is CopyKind.ACCESS else 0.0,
    )


def written(tmp_path: Path, page: TapePage) -> str:
    from pipeline.report.page import write_report

    return write_report(page, tmp_path / "report.html", CRITERIA.page).read_text(encoding="utf-8")
