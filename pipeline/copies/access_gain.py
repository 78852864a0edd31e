"""The gain of an access copy: to the target loudness, as far as the peaks allow.

It follows from the master's loudness and true peak. But before the master is made the measurement already tells both
within some hundredths of a decibel, and a gain known then lets the access copy be encoded while the master is written.
So the gain the measurement asks for is taken wherever the finished master bears it out, and the master's own elsewhere.
Which one it is depends on measurement, decisions and master alone, never on what was made first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.channels import Layout
from pipeline.copies.settings import AccessFormat, AccessSettings
from pipeline.decisions import ChannelUse, Decisions, GainDecision
from pipeline.measurement import Measurement
from pipeline.records import NotMeasured, Reading

BORNE_OUT_DB = 0.1  # what loudness meters may differ by (EBU Tech 3341)
_FOLDED_DB = 10 * math.log10(2)  # two channels of the same become one


@dataclass(frozen=True)
class AccessGain:
    """gain_db: what was applied. wanted_db: what the target asked for; more than gain_db where peaks stopped it."""

    gain_db: float
    wanted_db: float

    @property
    def cut_short_db(self) -> float:
        return self.wanted_db - self.gain_db


@dataclass(frozen=True)
class CopyLevels:
    """What the gain follows from, of a master or of one to come."""

    integrated_lufs: Reading
    true_peak_dbtp: Reading


def expected_levels(measurement: Measurement, decisions: Decisions) -> CopyLevels | None:
    """What the master will have; None where the measurement does not tell, for its spectrum is changed."""
    levels, gain_db = measurement.levels, decisions.gain.master_db
    if decisions.equalisation.changes or isinstance(levels.programme_lufs, NotMeasured):
        return None
    folds = decisions.channels.use not in (ChannelUse.AS_CAPTURED, ChannelUse.RIGHT_FLIPPED)
    lost_db = _FOLDED_DB if folds and measurement.channels.layout in (Layout.MONO, Layout.INVERTED) else 0.0
    peak = levels.true_peak_dbtp
    return CopyLevels(
        levels.programme_lufs + gain_db - lost_db, peak if isinstance(peak, NotMeasured) else peak + gain_db
    )


def gain_for(levels: CopyLevels, gain: GainDecision, settings: AccessSettings) -> AccessGain:
    """The gain for a master of such levels. A person's own gain is taken as it is, as far as the peaks allow."""
    if gain.access_db is not None:
        wanted = gain.access_db
    elif isinstance(levels.integrated_lufs, NotMeasured):
        wanted = 0.0  # nothing there to be made louder
    else:
        wanted = gain.target_lufs - levels.integrated_lufs
    if isinstance(levels.true_peak_dbtp, NotMeasured):
        return AccessGain(wanted, wanted)
    overshoot_db = 0.0 if settings.format is AccessFormat.FLAC else settings.codec_overshoot_db
    return AccessGain(min(wanted, gain.ceiling_dbtp - overshoot_db - levels.true_peak_dbtp), wanted)


def first_gain(
    master: CopyLevels, expected: CopyLevels | None, gain: GainDecision, settings: AccessSettings
) -> AccessGain:
    """The gain to try first: the one that was expected, where the master bears it out."""
    exact = gain_for(master, gain, settings)
    if expected is None:
        return exact
    foreseen = gain_for(expected, gain, settings)
    return foreseen if abs(foreseen.gain_db - exact.gain_db) <= BORNE_OUT_DB else exact
