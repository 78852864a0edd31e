"""Lossy encoding and decoding through the ffmpeg that the imageio-ffmpeg wheel carries: nothing to install.

Always bit-exact switches and one thread, so that the same samples give the same file.
"""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np
import soundfile

from pipeline.copies.settings import AccessFormat, AccessSettings
from pipeline.errors import CopyError

Array = np.ndarray[Any, Any]

_QUIET = ["-hide_banner", "-loglevel", "error"]
_REPEATABLE = ["-bitexact", "-fflags", "+bitexact", "-flags", "+bitexact", "-threads", "1"]
MP3_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
OPUS_RATE_HZ = 48000


def ffmpeg_path() -> str:
    """Raises CopyError where the wheel brings none for this machine and none is installed."""
    import imageio_ffmpeg

    try:
        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except RuntimeError as exc:
        raise CopyError(f"no ffmpeg for this machine ({exc}); install one, or ask for FLAC access copies") from exc


def access_rate_hz(master_rate_hz: int, settings: AccessSettings) -> int:
    """The access copy's rate: the master's own family, no higher than settings allow and the format knows.

    >>> from pipeline.settings import read_settings, shipped
    >>> from pipeline.copies.settings import CopySettings
    >>> access = read_settings(CopySettings, shipped("config") / "copies.toml").access
    >>> [access_rate_hz(hz, access) for hz in (96000, 88200, 44100, 48000, 8000, 37800)]
    [48000, 44100, 44100, 48000, 8000, 44100]
    """
    if settings.format is AccessFormat.OPUS:
        return OPUS_RATE_HZ
    highest = settings.highest_rate_hz
    if master_rate_hz % 44100 == 0 and highest >= 44100:
        highest = 44100
    if settings.format is AccessFormat.FLAC:
        return min(master_rate_hz, highest)
    fitting = [hz for hz in MP3_RATES_HZ if master_rate_hz <= hz <= highest]
    return fitting[0] if fitting else max(hz for hz in MP3_RATES_HZ if hz <= highest)


def codec_arguments(settings: AccessSettings) -> list[str]:
    """ffmpeg's words for the settings. Raises CopyError for FLAC, which is written by soundfile."""
    match settings.format:
        case AccessFormat.MP3:
            return ["-c:a", "libmp3lame", "-q:a", str(settings.mp3_vbr_quality), "-id3v2_version", "0", "-f", "mp3"]
        case AccessFormat.OPUS:
            return ["-c:a", "libopus", "-b:a", f"{settings.opus_kbit_s}k", "-f", "opus"]
        case AccessFormat.M4A:
            return ["-c:a", "aac", "-b:a", f"{settings.m4a_kbit_s}k", "-movflags", "+faststart", "-f", "ipod"]
    raise CopyError(f"{settings.format} is not a lossy format")


def write_encoded(blocks: Iterable[Array], rate_hz: int, channels: int, arguments: list[str], path: Path) -> Path:
    """Encode float32 blocks (frames, channels) into ``path``. Raises CopyError with ffmpeg's own words."""
    with encoding(rate_hz, channels, arguments, path) as encode:
        for block in blocks:
            if not encode(block):
                break
    return path


@contextlib.contextmanager
def encoding(rate_hz: int, channels: int, arguments: list[str], path: Path) -> Iterator[Callable[[Array], bool]]:
    """The same for whoever has the blocks to give: what it yields takes them, and says whether more are wanted."""
    source = ["-f", "f32le", "-ar", str(rate_hz), "-ac", str(channels), "-i", "pipe:0"]
    command = [ffmpeg_path(), *_QUIET, "-y", *source, "-map_metadata", "-1", *_REPEATABLE, *arguments, _file(path)]
    with _running(command, path, stdin=subprocess.PIPE) as process:
        pipe = process.stdin
        assert pipe is not None

        def encode(block: Array) -> bool:
            try:
                pipe.write(np.ascontiguousarray(block, "<f4").reshape(-1).view(np.uint8).data)
            except BrokenPipeError:  # ffmpeg left early; its exit code and words tell why
                return False
            return True

        yield encode


def decoded_blocks(path: Path, channels: int, block_frames: int) -> Iterator[Array]:
    """Decode any file ffmpeg knows, as float32 (frames, channels). A damaged file raises CopyError."""
    source, target = ["-nostdin", "-xerror", "-i", _file(path), "-map", "0:a:0"], ["-ac", str(channels), "-f", "f32le"]
    command = [ffmpeg_path(), *_QUIET, *source, *target, "pipe:1"]
    wanted = block_frames * channels * 4
    with _running(command, path, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        while chunk := _read_exactly(process.stdout, wanted):
            yield np.frombuffer(chunk, "<f4").reshape(-1, channels)


def decoded_mp3_blocks(path: Path, block_frames: int) -> Iterator[Array]:
    """The same for an MP3 that was just written, by libsndfile in this process: at less than half the cost.

    The samples are ffmpeg's within 1e-5. Not for files of which nothing is known: its decoder complains of damage on
    standard error, past all our words. Raises CopyError.
    """
    try:
        with soundfile.SoundFile(path) as sound:
            left = sound.frames
            while len(block := sound.read(block_frames, dtype="float32", always_2d=True)):
                left -= len(block)
                yield block
    except soundfile.LibsndfileError as exc:
        raise CopyError(f"{path}: cannot be decoded ({exc})") from exc
    if left:
        raise CopyError(f"{path}: {left} frames fewer than it says decode; it is damaged")


def packet_sha256(path: Path) -> str:
    """SHA-256 of the encoded audio packets alone: tags and container do not enter, no decoder is asked."""
    source, target = ["-nostdin", "-i", _file(path), "-map", "0:a:0"], ["-c", "copy", "-f", "hash", "-hash", "sha256"]
    with _running([ffmpeg_path(), *_QUIET, *source, *target, "pipe:1"], path, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        answer = process.stdout.read().decode()
    return answer.strip().removeprefix("SHA256=")


def _file(path: Path) -> str:
    """A path for ffmpeg, which takes what stands before a colon for a protocol."""
    return f"file:{path}"


@contextlib.contextmanager
def _running(command: list[str], path: Path, **pipes: Any) -> Iterator[subprocess.Popen[bytes]]:
    with tempfile.TemporaryFile() as words:
        try:
            process = subprocess.Popen(command, stderr=words, **pipes)
        except OSError as exc:
            raise CopyError(f"{path}: ffmpeg could not be started ({exc})") from exc
        try:
            yield process
        except BaseException:
            process.kill()
            raise
        finally:
            if process.stdin is not None and not process.stdin.closed:
                with contextlib.suppress(BrokenPipeError):
                    process.stdin.close()
            code = process.wait()
            if process.stdout is not None:
                process.stdout.close()
        if code:
            words.seek(0)
            raise CopyError(f"{path}: ffmpeg stopped with code {code}: {words.read().decode(errors='replace').strip()}")


def _read_exactly(stream: IO[bytes], wanted: int) -> bytes:
    parts, left = [], wanted
    while left and (part := stream.read(left)):
        parts.append(part)
        left -= len(part)
    return b"".join(parts)
