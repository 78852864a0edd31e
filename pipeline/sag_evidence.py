"""How much speaks for a sag in a run of glides: who glides, and how alike spectra are once shifted.

What speaks for it adds up, so that much of one makes up for little of another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.glide_runs import Run
from pipeline.glides import Glides
from pipeline.voices import FEW_MOMENTS, MOMENTS, Read, Voices, measure_voices

MANY = 20  # partials at a moment
NONE = -np.inf  # nothing was heard that speaks for a sag
MOST_OTHERS = 1.1  # evidence of others and of many partials: nearly no sag has more
GLANCE_OFF = 0.3  # a few moments tell the evidence within so much, nearly always


@dataclass(frozen=True)
class EvidenceCriteria:
    """How much speaks for a sag, and how much of it is asked. Its unit: all that is beside the strongest voice glides.

    stayed      against it: for partials that stay, as a share of all
    match       for spectra that are alike once shifted, as a share of that match
    partials    for each e-fold of partials over `MANY`
    equal       so much on average has a pair that is equal, where few others glide; it may look like one voice
    returned    a run whose return is there, or that ends in a stop, needs so much, and any other pair on average …
    alone       … any other run so much …
    restless    … and so much more for each other glide a second around it …
    glides_per_s  … beyond so many
    """

    stayed: float
    match: float
    partials: float
    equal: float
    returned: float
    alone: float
    restless: float
    glides_per_s: float

    def of(self, voices: Voices, match: float) -> float:
        many = float(np.log((voices.partials + 1) / MANY))
        others = voices.others.moved - self.stayed * max(0.0, voices.others.stayed)
        return others - voices.singleness + self.match * match + self.partials * many

    def asked(self, is_whole: bool, glides_per_s: float) -> float:
        least = self.returned if is_whole else self.alone
        return least + self.restless * max(0.0, glides_per_s - self.glides_per_s)


def measure_evidence(
    run: Run, least: float, glides: Glides, read: Read, rate_hz: int, criteria: EvidenceCriteria
) -> float:
    """A glance first: most runs have far too little."""
    most_single = MOST_OTHERS + criteria.match * run.match - least
    evidence = np.inf
    for moments in (FEW_MOMENTS, MOMENTS):
        if evidence < least - GLANCE_OFF:
            return NONE
        voices = measure_voices((glides, run.first, run.last), read, rate_hz, moments, most_single)
        evidence = NONE if voices is None else criteria.of(voices, run.match)
    return evidence
