"""Loudness: the numbers of ITU-R BS.1770-5 (11/2023), EBU Tech 3341 and Tech 3342.

Read in stored copies of code and tests that quote the recommendations, not in the documents themselves; what is known
from memory only is marked so. Levels in LUFS (= LKFS), differences in LU.
"""

from __future__ import annotations

# BS.1770 Annex 1, K-weighting: two second-order sections (b0, b1, b2), (a0, a1, a2), given for this rate only.
# Other rates are re-derived from the analogue prototype (that one must is from memory).
K_WEIGHTING_RATE_HZ = 48_000
K_WEIGHTING_SHELF = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285),
    (1.0, -1.69065929318241, 0.73248077421585),
)
K_WEIGHTING_HIGH_PASS = (
    (1.0, -2.0, 1.0),  # not normalised: the pass band gains 0.04 dB, and so it must
    (1.0, -1.99004745483398, 0.99007225036621),
)

LOUDNESS_OFFSET_LU = -0.691  # BS.1770 Annex 1: undoes the K-weighting's gain at 997 Hz
FRONT_CHANNEL_WEIGHT = 1.0  # BS.1770 Annex 1: left, right, and the one channel of mono

GATING_BLOCK_S = 0.4  # BS.1770 Annex 1
GATING_STEP_S = 0.1  # 75 % overlap
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0  # below the mean of the blocks over the absolute gate

MOMENTARY_S = 0.4  # Tech 3341, ungated
SHORT_TERM_S = 3.0  # Tech 3341, ungated

RANGE_RELATIVE_GATE_LU = -20.0  # Tech 3342, over 3 s blocks, after the absolute gate
RANGE_LOW_PERCENTILE = 10.0  # Tech 3342, from memory; its test cases come out right with it
RANGE_HIGH_PERCENTILE = 95.0  # Tech 3342, from memory; its test cases come out right with it
