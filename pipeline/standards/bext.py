"""The Broadcast Wave ``bext`` chunk: field lengths, offsets and scaling.

Source: EBU Tech 3285 v2 as read in check-values §6.1 (layout and ×100 scaling read; the rounding rule and the 0x7FFF
mark for "not filled in" are from memory). CodingHistory keys by EBU R 98-1999, §6.2.
"""

from __future__ import annotations

import math
import struct

FIXED_BYTES = 602
VERSION = 2
DESCRIPTION_BYTES, ORIGINATOR_BYTES, REFERENCE_BYTES = 256, 32, 32
DATE_CHARS, TIME_CHARS = 10, 8  # yyyy-mm-dd, hh:mm:ss
UMID_BYTES, RESERVED_BYTES = 64, 180
LOUDNESS_OFFSET = 412
NOT_FILLED_IN = 0x7FFF  # from memory

LAYOUT = struct.Struct("<256s32s32s10s8sIIH64s5h180s")
assert LAYOUT.size == FIXED_BYTES


def loudness_word(value: float | None) -> int:
    """Two decimals, rounded half away from zero, times 100, as a signed 16-bit number.

    >>> loudness_word(-22.68), loudness_word(None) == NOT_FILLED_IN
    (-2268, True)
    """
    if value is None:
        return NOT_FILLED_IN
    word = math.copysign(math.floor(abs(value) * 100 + 0.5 + 1e-9), value)
    return int(max(-32768, min(32766, word)))
