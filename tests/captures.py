"""Capture files built byte by byte, so that what they hold is known without asking any library."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path
from typing import Any

import imageio_ffmpeg
import numpy as np

Array = np.ndarray[Any, Any]
FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()
PCM_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")


def random_samples(bits: int, frames: int, channels: int, seed: int) -> Array:
    """(frames, channels) of whole numbers of this many bits, with both extremes among them."""
    samples = np.random.default_rng(seed).integers(-(1 << bits - 1), 1 << bits - 1, (frames, channels))
    samples[0], samples[-1] = -(1 << bits - 1), (1 << bits - 1) - 1
    return samples


def int_bytes(samples: Array, bits: int, order: str = "little", unsigned: bool = False) -> bytes:
    """As they stand in a file, sample after sample, each made by Python's own int.to_bytes."""
    shift = 1 << bits - 1 if unsigned else 0
    return b"".join((int(n) + shift).to_bytes(bits // 8, order, signed=not unsigned) for n in samples.reshape(-1))


def chunk(name: bytes, payload: bytes, order: str = "<", length: int | None = None) -> bytes:
    """With its pad byte where the payload is odd."""
    declared = len(payload) if length is None else length
    return name + struct.pack(f"{order}I", declared) + payload + b"\0" * (len(payload) % 2)


def fmt(channels: int, rate_hz: int, bits: int, code: int = 1, order: str = "<", align: int | None = None) -> bytes:
    """The payload of a plain format chunk."""
    frame = channels * bits // 8 if align is None else align
    return struct.pack(f"{order}HHIIHH", code, channels, rate_hz, rate_hz * frame, frame, bits)


def extensible(channels: int, rate_hz: int, bits: int, valid_bits: int, code: int = 1) -> bytes:
    """The payload of a WAVE_FORMAT_EXTENSIBLE format chunk."""
    plain = fmt(channels, rate_hz, bits, code=0xFFFE)
    return plain + struct.pack("<HHIH", 22, valid_bits, (1 << channels) - 1, code) + PCM_GUID_TAIL


def wave(
    payload: bytes,
    layout: bytes,
    *,
    before: bytes = b"",
    after: bytes = b"",
    data_length: int | None = None,
    riff_length: int | None = None,
    magic: bytes = b"RIFF",
    order: str = "<",
) -> bytes:
    """A WAVE file; ``data_length`` and ``riff_length`` are what the header claims, the truth unless given."""
    body = b"WAVE" + before + chunk(b"fmt ", layout, order) + chunk(b"data", payload, order, data_length) + after
    return magic + struct.pack(f"{order}I", len(body) if riff_length is None else riff_length) + body


def rf64(payload: bytes, layout: bytes, data_bytes: int, after: bytes = b"", magic: bytes = b"RF64") -> bytes:
    """An RF64 file whose sizes stand in ds64; ``data_bytes`` is what it claims there."""
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, data_bytes, 0, 0))
    return wave(payload, layout, before=ds64, after=after, data_length=0xFFFFFFFF, riff_length=0xFFFFFFFF, magic=magic)


def aiff(payload: bytes, channels: int, rate_hz: int, bits: int, kind: bytes = b"", after: bytes = b"") -> bytes:
    """An AIFF file, or AIFC where a kind is given."""
    frames = len(payload) // (channels * bits // 8)
    exponent = rate_hz.bit_length() - 1
    extended = struct.pack(">HQ", 16383 + exponent, rate_hz << 63 - exponent)
    common = struct.pack(">hIh", channels, frames, bits) + extended
    if kind:
        common += kind + b"\0\0"
    body = (b"AIFC" if kind else b"AIFF") + chunk(b"COMM", common, ">")
    if kind:
        body += chunk(b"FVER", bytes.fromhex("a2805140"), ">")
    body += chunk(b"SSND", bytes(8) + payload, ">") + after
    return b"FORM" + struct.pack(">I", len(body)) + body


def decoded_by_ffmpeg(path: Path, sample_format: str) -> bytes:
    """The samples as ffmpeg decodes them: s16le, s24le, s32le, f32le, f64le."""
    codec = ["-f", sample_format, "-c:a", f"pcm_{sample_format}"]
    command = [FFMPEG, "-nostdin", "-loglevel", "error", "-i", f"file:{path}", *codec, "pipe:1"]
    return subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout


def encoded_by_ffmpeg(source: Path, target: Path, *arguments: str) -> Path:
    command = [FFMPEG, "-nostdin", "-loglevel", "error", "-y", "-i", f"file:{source}", *arguments, f"file:{target}"]
    subprocess.run(command, check=True)
    return target


def tags_by_ffmpeg(path: Path) -> dict[str, str]:
    """Every tag of the file and of its first stream, as ffmpeg reads them; names in lower case."""
    command = [FFMPEG, "-nostdin", "-loglevel", "error", "-i", f"file:{path}"]
    found: dict[str, str] = {}
    for arguments in ([], ["-map_metadata", "0:s:0"]):
        text = subprocess.run(
            [*command, *arguments, "-f", "ffmetadata", "-"], check=True, stdout=subprocess.PIPE
        ).stdout.decode()
        found = {**found, **_ffmetadata(text)}
    return found


def _ffmetadata(text: str) -> dict[str, str]:
    """ffmpeg's own escaping: a backslash before = ; # \\ and line breaks."""
    pairs, name, value, position, in_name = {}, "", "", 0, True
    while position < len(text):
        sign = text[position]
        if sign == "\\":
            position += 1
            sign = text[position]
        elif sign == "\n":
            if not in_name:
                pairs[name.lower()] = value
            name, value, in_name = "", "", True
            position += 1
            continue
        elif sign == "=" and in_name:
            in_name = False
            position += 1
            continue
        if in_name:
            name += sign
        else:
            value += sign
        position += 1
    return pairs
