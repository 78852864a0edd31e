"""(a) The straightforward library script: what somebody would write in an afternoon, with the same libraries."""

from __future__ import annotations

import sys
from pathlib import Path

import imageio_ffmpeg
import librosa
import numpy as np
import pyloudnorm
import soundfile
from pydub import AudioSegment


def main(capture: Path, out: Path, ratio: float) -> None:
    out.mkdir(parents=True, exist_ok=True)
    samples, rate_hz = librosa.load(capture, sr=None, mono=False)
    soundfile.write(out / "preservation.flac", samples.T, rate_hz, subtype="PCM_24")
    corrected = librosa.resample(samples, orig_sr=rate_hz * ratio, target_sr=rate_hz).T
    loudness = pyloudnorm.Meter(rate_hz).integrated_loudness(corrected)
    soundfile.write(out / "master.flac", corrected, rate_hz, subtype="PCM_24")
    louder = pyloudnorm.normalize.loudness(corrected, loudness, -18.0)
    access = librosa.resample(louder.T, orig_sr=rate_hz, target_sr=48000).T
    integers = (np.clip(access, -1, 1) * 32767).astype(np.int16)
    AudioSegment.converter = imageio_ffmpeg.get_ffmpeg_exe()
    segment = AudioSegment(integers.tobytes(), frame_rate=48000, sample_width=2, channels=2)
    segment.export(out / "access.mp3", format="mp3", parameters=["-q:a", "2"])


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]))
