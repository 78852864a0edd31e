"""Wow and flutter by the weighted-peak method: test tones, bands, weighting curve, time weighting.

Standards named: AES6-2008 (= IEC 60386:1972 with amendment 1, 1988) for the two-sigma reading, IEC 60386:1972 and
AES6-1982 for the quasi-peak meter. Only abstracts and quotations were at hand, no full text: whatever is marked
*from memory* here must be compared with the document before a figure is quoted as "per standard".
"""

from __future__ import annotations

TEST_TONE_HZ = 3150.0  # AES6, IEC 60386, DIN 45507
OLDER_TEST_TONE_HZ = 3000.0  # NAB, JIS; that these two ask for it is from memory
WOW_FLUTTER_BOUNDARY_HZ = 4.0  # convention; also where the weighting peaks
SCRAPE_FROM_HZ = 100.0  # convention: scrape flutter begins above; it may reach several kHz
UNWEIGHTED_BAND_HZ = (0.2, 200.0)  # IEC 60386, from memory (0.5 Hz at the low end in other texts)
LEAST_OBSERVATION_S = 5.0  # AES6: the reading is observed for at least this long

# The level that |deviation| stays under for this share of the time. AES6-2008, from memory and with doubt: its text
# may say 95 %, two sigma taken literally is 95.45 %. A sine of peak d reads 0.9969 d or 0.9974 d.
TWO_SIGMA_SHARE = 0.9545

# Weighting by rate of modulation: (Hz, dB re 4 Hz, tolerance above in dB, tolerance below in dB). All numbers from
# memory; what was read is that it falls about 6 dB an octave either side of 4 Hz, and faster below 0.5 Hz. Between
# rows: straight lines of dB over log Hz.
WEIGHTING_DB: tuple[tuple[float, float, float | None, float | None], ...] = (
    (0.1, -48.0, None, None),
    (0.2, -30.6, 10.0, 4.0),
    (0.315, -19.7, 4.0, 4.0),
    (0.4, -15.0, 2.0, 2.0),
    (0.63, -8.4, 2.0, 2.0),
    (0.8, -6.0, 2.0, 2.0),
    (1.0, -4.2, 2.0, 2.0),
    (1.6, -1.8, 2.0, 2.0),
    (2.0, -0.9, 2.0, 2.0),
    (4.0, 0.0, 0.0, 0.0),
    (6.3, -0.9, 2.0, 2.0),
    (10.0, -2.1, 2.0, 2.0),
    (20.0, -5.9, 2.0, 2.0),
    (40.0, -10.4, 2.0, 2.0),
    (63.0, -14.2, 4.0, 4.0),
    (100.0, -17.3, 4.0, 4.0),
    (200.0, -23.0, 4.0, 4.0),
)

# Time weighting of the quasi-peak meter: one-sided speed pulses, one a second, as high as the peak-to-peak height of
# a 4 Hz sine that reads 100 %: (pulse ms, reading %, tolerance %). The 60 ms reading and the fall to 40 % were read
# in a copy of the AES6-1982 abstract; the other rows and every tolerance are from memory.
PULSE_READINGS: tuple[tuple[float, float, float], ...] = (
    (10.0, 21.0, 3.0),
    (30.0, 62.0, 6.0),
    (60.0, 90.0, 6.0),
    (100.0, 100.0, 4.0),
)
FALL_BETWEEN_PULSES = (100.0, 40.0, 4.0)  # pulse ms, reading % just before the next, tolerance %
PULSE_PERIOD_S = 1.0
