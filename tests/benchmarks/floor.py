"""(b) The bare codec floor: decode, hash, VHQ resample, both FLAC writes, access encode; the preservation and the
access copy are decoded once. Nothing is measured, judged, tagged, drawn or sealed."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import soundfile
import soxr

BLOCK_S = 5
FLAC_LEVEL = 5 / 8


def main(capture: Path, out: Path, ratio: float) -> None:
    out.mkdir(parents=True, exist_ok=True)
    ffmpeg = [imageio_ffmpeg.get_ffmpeg_exe(), "-loglevel", "error", "-threads", "1"]
    with capture.open("rb") as stream:
        hashlib.file_digest(stream, "sha256")
    with soundfile.SoundFile(capture) as source:
        rate_hz, channels = source.samplerate, source.channels
        flac = {"samplerate": rate_hz, "channels": channels, "subtype": "PCM_24", "compression_level": FLAC_LEVEL}
        correct = soxr.ResampleStream(rate_hz * ratio, rate_hz, channels, dtype="float32", quality="VHQ")
        halve = soxr.ResampleStream(rate_hz, 48000, channels, dtype="float32", quality="VHQ")
        raw = ["-f", "f32le", "-ar", "48000", "-ac", str(channels), "-i", "pipe:0", "-c:a", "libmp3lame", "-q:a", "2"]
        encoder = subprocess.Popen([*ffmpeg, "-y", *raw, str(out / "access.mp3")], stdin=subprocess.PIPE)
        assert encoder.stdin is not None
        with (
            soundfile.SoundFile(out / "preservation.flac", "w", **flac) as preservation,
            soundfile.SoundFile(out / "master.flac", "w", **flac) as master,
        ):
            while len(block := source.read(BLOCK_S * rate_hz, dtype="int32", always_2d=True)):
                preservation.write(block)
                last = len(block) < BLOCK_S * rate_hz
                corrected = correct.resample_chunk(block.astype(np.float32) * np.float32(2.0**-31), last=last)
                master.write(corrected)
                encoder.stdin.write(halve.resample_chunk(corrected, last=last).tobytes())
        encoder.stdin.close()
        encoder.wait()
    with soundfile.SoundFile(out / "preservation.flac") as copy:
        while len(copy.read(BLOCK_S * rate_hz, dtype="int32")):
            pass
    subprocess.run([*ffmpeg, "-i", str(out / "access.mp3"), "-f", "null", "-"], check=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]))
