"""The names of readings: one table of name, unit, definition and where the definition stands.

Definitions are the trade's, after TIA-603 and ETSI EN 300 086 usage (values of those standards
are not repeated here); DESIGN's table of readings is the project's own wording of them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Term:
    """A reading's name, unit, one-line definition, printed places and plain title."""

    name: str
    unit: str
    title: str
    definition: str
    decimals: int


_TABLE = (
    ("carrier_power", "dBm", "Carrier power", "mean power at the antenna port, keyed", 2),
    ("frequency_error", "Hz", "Frequency error", "carrier minus nominal frequency", 1),
    (
        "deviation_peak_positive",
        "Hz",
        "Peak deviation, upward",
        "highest frequency above the mean, noise averaged out",
        1,
    ),
    (
        "deviation_peak_negative",
        "Hz",
        "Peak deviation, downward",
        "lowest frequency below the mean, as a positive number",
        1,
    ),
    ("deviation_peak", "Hz", "Peak deviation", "half of peak-to-peak", 1),
    (
        "deviation_limiting",
        "Hz",
        "Deviation limiting",
        "peak deviation that the unit does not go beyond, however hard its input is driven",
        1,
    ),
    ("deviation_tone", "Hz", "Tone deviation", "amplitude of the fitted test tone", 1),
    ("tone_frequency", "Hz", "Tone frequency", "frequency of the test tone", 3),
    ("subaudible_tone", "Hz", "Subaudible tone", "frequency of a tone below 300 Hz", 2),
    (
        "subaudible_deviation",
        "Hz",
        "Subaudible tone deviation",
        "amplitude of the fitted subaudible tone",
        1,
    ),
    ("sinad", "dB", "SINAD", "(S+N+D)/(N+D) of the repeated audio, land-mobile definition", 2),
    (
        "sinad_at_opening",
        "dB",
        "SINAD at opening",
        "SINAD of the repeated audio at the level at which half of the rising sweeps have keyed",
        1,
    ),
    (
        "audio_distortion",
        "%",
        "Audio distortion",
        "root sum of squares of the 2nd to 5th harmonic below 5 kHz to the tone",
        2,
    ),
    (
        "hum_and_noise",
        "dB",
        "Hum and noise",
        "50 Hz to 3 kHz beside the test tone, against 1 kHz at 60 % of rated deviation",
        1,
    ),
    (
        "audio_response",
        "dB",
        "Audio response",
        "level of a tone against that of 1 kHz, or against 6 dB per octave through it",
        2,
    ),
    (
        "audio_level",
        "V",
        "Audio level",
        "root mean square voltage at the sound card's input, its mean taken off",
        4,
    ),
    ("repeat_gain", "dB", "Repeat gain", "deviation out against deviation in", 2),
    (
        "sensitivity_12db_sinad",
        "dBm",
        "Sensitivity, 12 dB SINAD",
        "input level at which the repeated audio has 12 dB SINAD",
        2,
    ),
    (
        "quieting_20db",
        "dBm",
        "Quieting, 20 dB",
        "input level at which a carrier lowers the noise of the audio by 20 dB",
        2,
    ),
    (
        "receiver_centre",
        "Hz",
        "Receiver centre",
        "input frequency offset at which sensitivity is best",
        0,
    ),
    (
        "acceptance_bandwidth",
        "Hz",
        "Acceptance bandwidth",
        "between the offsets at which SINAD is back at 12 dB, 6 dB above the sensitivity",
        0,
    ),
    (
        "desensitisation",
        "dB",
        "Desensitisation",
        "loss of 12 dB SINAD sensitivity with the transmitter keyed",
        2,
    ),
    ("insertion_loss", "dB", "Insertion loss", "loss of a branch at its own frequency", 2),
    (
        "branch_rejection",
        "dB",
        "Rejection",
        "loss of a branch of the duplexer at the other branch's frequency",
        1,
    ),
    ("return_loss", "dB", "Return loss", "of a port, at the frequency of its branch", 1),
    (
        "duplexer_isolation",
        "dB",
        "Isolation",
        "loss from the transmitter's port of the duplexer to the receiver's",
        1,
    ),
    (
        "isolation_margin",
        "dB",
        "Margin of the isolation",
        "isolation beyond what the receiver needs; positive is enough",
        1,
    ),
    (
        "transmitter_port_power",
        "W",
        "Power into the duplexer",
        "at the transmitter's port, for the rated power at the antenna's",
        2,
    ),
    (
        "desensitisation_expected",
        "dB",
        "Desensitisation expected",
        "loss of sensitivity by the transmitter's noise through the duplexer",
        2,
    ),
    (
        "squelch_opening",
        "dBm",
        "Squelch opening",
        "input level by which half of the rising sweeps have keyed",
        2,
    ),
    (
        "squelch_closing",
        "dBm",
        "Squelch closing",
        "input level by which half of the falling sweeps have dropped",
        2,
    ),
    ("squelch_hysteresis", "dB", "Squelch hysteresis", "opening minus closing", 2),
    (
        "squelch_spread",
        "dB",
        "Opening spread",
        "standard deviation of the fitted opening curve",
        2,
    ),
    (
        "false_keying_rate",
        "1/h",
        "False keying",
        "key-ups in an hour without a signal",
        1,
    ),
    (
        "keying_state",
        "",
        "Keying",
        "normal, always keyed, never keyed or chatters",
        0,
    ),
    ("attack_time", "s", "Attack time", "input carrier on to output carrier on", 4),
    ("hang_time", "s", "Hang time", "input carrier off to output carrier off", 4),
    (
        "squelch_tail",
        "s",
        "Squelch tail",
        "noise burst in the repeated audio after the input drops",
        4,
    ),
    (
        "attack_spread",
        "s",
        "Attack spread",
        "standard deviation of the attack times of single keyings",
        5,
    ),
    (
        "hang_spread",
        "s",
        "Hang spread",
        "standard deviation of the hang times of single keyings",
        5,
    ),
    (
        "hang_timer",
        "",
        "Hang timer",
        "steady, varies, two times, drifts, follows keying, or none",
        0,
    ),
    (
        "time_out",
        "s",
        "Time-out",
        "key-up to the transmitter's drop while the input is still keyed, when a timer does it",
        3,
    ),
    (
        "squelch_attack",
        "s",
        "Squelch attack",
        "input carrier on to audio gate open, the transmitter still keyed by the hang",
        4,
    ),
    (
        "key_up_delay",
        "s",
        "Key-up delay",
        "attack time less squelch attack: what the transmitter takes to come up",
        4,
    ),
    ("occupied_bandwidth", "Hz", "Occupied bandwidth", "bandwidth that holds 99 % of the power", 0),
    (
        "adjacent_channel_power",
        "dB",
        "Adjacent channel power",
        "power in the adjacent channel's measuring bandwidth to the carrier's power",
        1,
    ),
    (
        "emission_mask_margin",
        "dB",
        "Margin to the emission mask",
        "least margin where the mask asks for attenuation; positive is inside",
        1,
    ),
    (
        "transient_frequency",
        "Hz",
        "Transient frequency",
        "largest difference from the nominal frequency in an interval after key-up or before drop",
        0,
    ),
    ("power_drift", "dB", "Power drift", "output power at the end against the settled start", 2),
    (
        "power_warm_up",
        "dB",
        "Warm-up of the power",
        "power at load on against the settled course drawn back to there",
        2,
    ),
    ("warm_up_time", "s", "Warm-up time", "load on to power settled on its later course", 0),
    ("power_slope", "dB/h", "Power slope", "slope of output power over the loaded run", 3),
    ("power_knee", "s", "Knee of the power", "load on to where the power begins to fall away", 0),
    ("time_to_minus_1db", "s", "Time to -1 dB", "power 1 dB below the settled start", 0),
    ("time_to_minus_3db", "s", "Time to -3 dB", "power 3 dB below the settled start", 0),
    ("run_time", "s", "Run time", "load on to transmitter off or battery at its end voltage", 0),
    ("frequency_drift", "Hz", "Frequency drift", "carrier at the end minus settled start", 1),
    (
        "frequency_pushing",
        "Hz/V",
        "Frequency pushing",
        "change of the carrier with the supply voltage over the run, after the warm-up",
        2,
    ),
    ("energy_delivered", "Wh", "Energy delivered", "voltage times current over the run", 2),
    ("charge_delivered", "Ah", "Charge delivered", "current over the run", 3),
    (
        "efficiency",
        "%",
        "Efficiency",
        "power at the antenna port to power from the battery, keyed",
        1,
    ),
)

TERMS: dict[str, Term] = {row[0]: Term(*row) for row in _TABLE}
