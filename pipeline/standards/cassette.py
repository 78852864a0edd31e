"""Compact cassette: speed, tape, tracks, reels, equalisation, losses, reference levels.

Values read in copies or quotations of the named source stand plain; *from memory* means that nobody here has
seen the document. Formulas are geometry and need no source.
"""

from __future__ import annotations

import math

# --- speed -----------------------------------------------------------------------------------------------------------
NOMINAL_SPEED_MM_S = 47.625  # 1 7/8 in/s, IEC 60094-1 / -7
HALF_SPEED_MM_S = 23.8125  # 15/16 in/s, met in collections (IASA TC-04 5.4.5)
DOUBLE_SPEED_MM_S = 95.25  # 3 3/4 in/s, the same
DOMESTIC_SPEED_TOLERANCE_PERCENT = 2.0  # IEC 60094-1 clause 10, from memory and with doubt

# --- tape and reels --------------------------------------------------------------------------------------------------
TAPE_WIDTH_MM = 3.81  # IEC 60094-7; its tolerance is not known here
HUB_RADIUS_MM = (10.5, 11.0)  # varies with the shell's maker; from memory and with doubt
FULL_PACK_RADIUS_MM = 25.2  # 135 m of 12 µm on an 11 mm hub: the longest C90 supplied; thickness, hub from memory
TAPE_THICKNESS_MM = {"C46": 0.018, "C60": 0.018, "C90": 0.012, "C120": 0.009}  # usual text, from memory
LEADER_S = (6.3, 10.5)  # 0.3 to 0.5 m at speed; from memory and with doubt

# --- tracks (IEC 60094-1 / -7 as quoted in a 1970 maker's review) -----------------------------------------------------
MONO_TRACK_MM = 1.5
STEREO_TRACK_MM = 0.6
STEREO_GAP_MM = 0.3
STEREO_SPACING_MM = STEREO_TRACK_MM + STEREO_GAP_MM  # centre to centre of left and right

# --- replay equalisation, IEC 60094-1 (1981) --------------------------------------------------------------------------
LOW_TIME_CONSTANT_US = 3180.0
TIME_CONSTANT_US = {"I": 120.0, "II": 70.0, "III": 70.0, "IV": 70.0}  # by tape type; type IV from memory

# --- reference fluxivity, nWb/m ---------------------------------------------------------------------------------------
EARLY_DOMESTIC_FLUXIVITY_NWB_M = 160.0
US_OPERATING_FLUXIVITY_NWB_M = 185.0  # what the level is called is from memory
NOISE_REDUCTION_FLUXIVITY_NWB_M = 200.0  # US method; the same tape reads 218 to 220 by the IEC/DIN method
IEC_FLUXIVITY_NWB_M = 250.0
LEVEL_TONE_HZ = 315.0  # IEC tapes; 333 Hz in DIN 45500 tests, 400 Hz for the noise-reduction level (from memory)


def pack_radius_mm(hub_radius_mm: float, tape_length_mm: float, thickness_mm: float) -> float:
    """Outer radius of a pack: the tape's side area, length times thickness, lies round the hub.

    >>> round(pack_radius_mm(11.0, 85_725.0, 0.018), 1)
    24.7
    """
    return math.sqrt(hub_radius_mm**2 + tape_length_mm * thickness_mm / math.pi)


def turn_rate_hz(speed_mm_s: float, diameter_mm: float) -> float:
    """How often a round part turns whose surface runs at this speed.

    >>> round(turn_rate_hz(NOMINAL_SPEED_MM_S, 2.0), 2)
    7.58
    """
    return speed_mm_s / (math.pi * diameter_mm)


def wavelength_um(hz: float, speed_mm_s: float = NOMINAL_SPEED_MM_S) -> float:
    """Recorded wavelength on the tape.

    >>> round(wavelength_um(3150.0), 2)
    15.12
    """
    return 1000 * speed_mm_s / hz


def azimuth_delay_us(
    arc_minutes: float, spacing_mm: float = STEREO_SPACING_MM, speed_mm_s: float = NOMINAL_SPEED_MM_S
) -> float:
    """Delay between two tracks from a head tilted by this angle.

    >>> round(azimuth_delay_us(1.0), 2)
    5.5
    """
    return 1e6 * spacing_mm * math.tan(math.radians(arc_minutes / 60)) / speed_mm_s


def azimuth_arc_minutes(
    delay_us: float, spacing_mm: float = STEREO_SPACING_MM, speed_mm_s: float = NOMINAL_SPEED_MM_S
) -> float:
    """The angle that gives this delay between two tracks; the inverse of `azimuth_delay_us`."""
    return 60 * math.degrees(math.atan(delay_us * 1e-6 * speed_mm_s / spacing_mm))


def azimuth_loss_db(hz: float, arc_minutes: float, track_mm: float, speed_mm_s: float = NOMINAL_SPEED_MM_S) -> float:
    """Treble lost across a track of this width: 20 log10 |sin x / x|, x = pi w tan(angle) / wavelength; 0 or below.

    ``-inf`` where the track's width holds whole wavelengths and nothing is left.

    >>> round(azimuth_loss_db(10_000.0, 10.0, MONO_TRACK_MM), 1)
    -20.9
    """
    x = math.pi * track_mm * math.tan(math.radians(arc_minutes / 60)) * hz / speed_mm_s
    if x == 0:
        return 0.0
    left = abs(math.sin(x) / x)
    return 20 * math.log10(left) if left > 0 else -math.inf


def spacing_loss_db(hz: float, spacing_um: float, speed_mm_s: float = NOMINAL_SPEED_MM_S) -> float:
    """Treble lost because the tape stands off the head: -54.6 dB a wavelength of distance.

    >>> round(spacing_loss_db(10_000.0, 1.0), 1)
    -11.5
    """
    return -20 * math.log10(math.e) * 2 * math.pi * spacing_um / wavelength_um(hz, speed_mm_s)


def replay_boost_db(hz: float, time_constant_us: float) -> float:
    """Electrical treble boost of one short time constant against an ideal flux-sensing head.

    >>> round(replay_boost_db(10_000.0, 120.0) - replay_boost_db(10_000.0, 70.0), 2)
    4.54
    """
    return 10 * math.log10(1 + (2 * math.pi * hz * time_constant_us * 1e-6) ** 2)


def low_frequency_term_db(hz: float, time_constant_us: float = LOW_TIME_CONSTANT_US) -> float:
    """What the long time constant takes from the replay response at low frequencies.

    >>> round(low_frequency_term_db(50.0), 2)
    -3.01
    """
    return -10 * math.log10(1 + 1 / (2 * math.pi * hz * time_constant_us * 1e-6) ** 2)


def recorded_flux_db(hz: float, time_constant_us: float, reference_hz: float = LEVEL_TONE_HZ) -> float:
    """Flux on a tape of flat programme relative to ``reference_hz``: the inverse of the replay equalisation.

    >>> round(recorded_flux_db(10_000.0, 120.0), 2)
    -17.49
    """

    def replay_db(at_hz: float) -> float:
        return replay_boost_db(at_hz, time_constant_us) + low_frequency_term_db(at_hz)

    return replay_db(reference_hz) - replay_db(hz)


def fluxivity_db(nwb_m: float, reference_nwb_m: float) -> float:
    """Level of one fluxivity against another.

    >>> round(fluxivity_db(IEC_FLUXIVITY_NWB_M, EARLY_DOMESTIC_FLUXIVITY_NWB_M), 2)
    3.88
    """
    return 20 * math.log10(nwb_m / reference_nwb_m)
