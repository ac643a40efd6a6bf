"""A generator's deviation by the Bessel null, on FM made from its formula.

Every truth is what the maker was set to; it imports nothing of the program. A generator that shows
``d`` and gives ``scale * d`` is what is calibrated. Zero of J_0: 2.404826 (Abramowitz & Stegun,
table 9.5, from memory).
"""

import numpy as np
import pytest

from harness.errors import BadInput
from harness.measure.bessel_null import FIRST_NULL, calibrate_deviation
from harness.measure.fm_lines import fit_fm_lines
from tests.truth.emissions import bessel_j
from tests.truth.files import write_pair
from tests.truth.signals import Carrier, Dongle, Sine, modulation_phase_rad, noise_dbfs_hz

RATE_HZ = 250e3
CENTRE_HZ = 153.785e6
CARRIER_HZ = 153.825e6
LEVEL_DBFS = -10.0
SHOWN_HZ = (2200.0, 2300.0, 2380.0, 2450.0, 2550.0)


def fm(
    folder,
    name,
    deviation_hz,
    *,
    tone_hz=1000.0,
    carrier_hz=CARRIER_HZ,
    level_dbfs=LEVEL_DBFS,
    cnr_db=35.0,
    third=0.0,
    am=0.0,
    seconds=2.0,
    draw=1,
    datatype="cu8",
    clock_error_ppm=0.0,
    **own,
):
    sines = [Sine(frequency_hz=tone_hz, deviation_hz=deviation_hz, phase_rad=0.3 * draw)]
    if third:
        sines.append(
            Sine(
                frequency_hz=3.0 * tone_hz, deviation_hz=third * deviation_hz, phase_rad=0.9 * draw
            )
        )
    carrier = Carrier(
        frequency_hz=carrier_hz, level_dbfs=level_dbfs, phase_rad=2.0 * draw, sines=tuple(sines)
    )
    dongle = Dongle(
        sample_rate_hz=RATE_HZ,
        centre_hz=CENTRE_HZ,
        clock_error_ppm=clock_error_ppm,
        noise_dbfs_hz=noise_dbfs_hz(level_dbfs, cnr_db, 12500.0),
        draw=draw,
        carriers=(carrier,),
    )
    return write_pair(
        folder / name,
        dongle.chunks(round(seconds * RATE_HZ)),
        datatype,
        RATE_HZ,
        CENTRE_HZ,
        fields=own or None,
    )


def settings(folder, scale, shown_hz=SHOWN_HZ, **more):
    return [
        fm(folder, f"s{n}", scale * shown, draw=n + 1, **more) for n, shown in enumerate(shown_hz)
    ]


@pytest.mark.parametrize(
    ("scale", "more", "largest"),
    [
        # ``largest`` is the widest U that this noise may leave: 5 sigma of what five settings of
        # 2 s give. At 35 dB in 12.5 kHz a frame's line is known to 1 part in 3000 of the whole,
        # eight frames and five settings to 1 in 20 000; through J_1 and the null 0.004 %, by
        # Student's t at 3 degrees of freedom (k = 3.3) 0.013 %.
        (1.013, {}, 1e-3),
        (0.982, {"cnr_db": 20.0}, 4e-3),
        (1.0, {"carrier_hz": CARRIER_HZ + 1500.0}, 1e-3),
        # 38 ppm is 5.8 kHz at the carrier: the side bands would not fit round the nominal one.
        (1.013, {"clock_error_ppm": 38.0}, 1e-3),
    ],
)
def test_the_scale_is_what_it_was_made_with(tmp_path, scale, more, largest) -> None:
    found = calibrate_deviation(settings(tmp_path, scale, **more), SHOWN_HZ, at_hz=CARRIER_HZ)
    expanded = 2.0 * found.standard_uncertainty
    # 95 % interval, draws fixed; doubled, so that a fair draw does not fail.
    assert abs(found.scale - scale) < 2.0 * expanded
    assert expanded < largest
    assert found.null_shown_hz == pytest.approx(FIRST_NULL * 1000.0 / scale, rel=2.0 * largest)
    # The receiver's clock is 38 ppm off at most and known by nobody.
    assert found.tone_hz == pytest.approx(1000.0, rel=50e-6)
    assert found.discriminator_agrees
    for ratio, shown in zip(found.carrier_ratio, SHOWN_HZ, strict=True):
        # 0.005: 5 sigma at 20 dB over eight frames, 1 / sqrt(2 x 100 x 25000) each side of it.
        assert ratio == pytest.approx(bessel_j(0, scale * shown / 1000.0), abs=5e-3)


def test_its_interval_holds_as_often_as_it_says(tmp_path) -> None:
    """Of 20 draws at 20 dB at least 17 hold: binomial with 0.9545, fewer has 1.2 % (computed)."""
    held = 0
    for draw in range(20):
        folder = tmp_path / str(draw)
        folder.mkdir()
        shown = np.array(SHOWN_HZ)
        paths = [
            fm(folder, f"s{n}", 1.01 * one, draw=100 * draw + n, cnr_db=20.0, seconds=1.1)
            for n, one in enumerate(shown)
        ]
        found = calibrate_deviation(paths, SHOWN_HZ, at_hz=CARRIER_HZ)
        held += abs(found.scale - 1.01) <= 2.0 * found.standard_uncertainty
    assert held >= 17


def test_the_uncertainty_is_that_of_the_straight_line(tmp_path) -> None:
    """Settings that lie off the scale by known amounts; numpy's covariance beside ours."""
    off_hz = np.array((12.0, -20.0, 4.0, 15.0, -11.0))
    true = np.array(SHOWN_HZ) + off_hz
    paths = [fm(tmp_path, f"s{n}", one, draw=n + 1) for n, one in enumerate(true)]
    found = calibrate_deviation(paths, SHOWN_HZ, at_hz=CARRIER_HZ)
    x = np.array(SHOWN_HZ) / 1000.0
    (b, a), covariance = np.polyfit(x, true / 1000.0, 1, cov=True)
    at = (FIRST_NULL - a) / b
    slopes = np.array((at, 1.0)) / b
    relative = np.sqrt(slopes @ covariance @ slopes) / at
    assert found.scale == pytest.approx(FIRST_NULL / at, rel=2e-4)
    # t at 95.45 % and 3 degrees of freedom: 3.31 (JCGM 100 table G.2, from memory); 3 % for the
    # noise in the scatter and the smaller parts.
    assert found.standard_uncertainty / found.scale == pytest.approx(
        3.31 / 2.0 * relative, rel=0.03
    )


def test_a_tone_of_its_own_clock_and_a_wide_channel(tmp_path) -> None:
    """2 kHz and 5 kHz of deviation in 25 kHz; the clock that the recording declares is heeded."""
    shown = (4500.0, 4800.0, 5100.0)
    more = {"tone_hz": 2000.0, "clock_error_ppm": 20.0}
    paths = [fm(tmp_path, f"s{n}", 1.02 * one, draw=n, **more) for n, one in enumerate(shown)]
    found = calibrate_deviation(paths, shown, at_hz=CARRIER_HZ, spacing_hz=25e3)
    assert found.scale == pytest.approx(1.02, abs=4.0 * found.standard_uncertainty)
    assert found.tone_hz == pytest.approx(2000.0, rel=25e-6)


def test_third_harmonic_widens_the_uncertainty(tmp_path) -> None:
    """1 % of it, in step with the tone, moves the null by 0.13 %.

    Its index is a third of 1 % of the null; J_3 / J_1 there is 0.38 (series by hand).
    """
    folders = [tmp_path / "clean", tmp_path / "bent"]
    for folder in folders:
        folder.mkdir()
    clean = calibrate_deviation(settings(folders[0], 1.0), SHOWN_HZ, at_hz=CARRIER_HZ)
    bent = calibrate_deviation(settings(folders[1], 1.0, third=0.01), SHOWN_HZ, at_hz=CARRIER_HZ)
    # 0.01 %: what noise leaves, as above.
    assert abs(bent.scale - 1.0) == pytest.approx(0.00128, abs=1e-4)
    assert abs(bent.scale - 1.0) < 2.0 * bent.standard_uncertainty
    assert bent.standard_uncertainty > 5.0 * clean.standard_uncertainty


@pytest.mark.parametrize(
    ("shown", "more", "line"),
    [
        ((2200.0, 2250.0, 2300.0), {}, "all settings lie below the null"),
        ((2450.0, 2500.0, 2550.0), {}, "all settings lie above the null"),
        ((2300.0, 2500.0), {}, "2 settings are too few"),
        ((2300.0, 2300.0, 2500.0), {}, "2 settings are too few"),
        ((1500.0, 2400.0, 2500.0), {}, "its deviation is about 1500 Hz"),
        ((2300.0, 2400.0, 5500.0), {}, "Hz at a tone of 1000.0 Hz"),
        ((2300.0, 2400.0, 2500.0), {"level_dbfs": 3.0}, "clipped"),
        ((2300.0, 2400.0, 2500.0), {"cnr_db": 3.0, "level_dbfs": -25.0}, "holds no steady tone"),
        ((2300.0, 2400.0, 2500.0), {"carrier_hz": CENTRE_HZ + 3e3}, "tuned onto the signal"),
        ((2300.0, 2400.0, 2500.0), {"third": 0.2}, "off those of FM by one sine"),
        ((2300.0, 2400.0, 2500.0), {"seconds": 0.6}, "too short"),
        ((2300.0, 2400.0, 2500.0), {"role": "audio"}, "its role is audio"),
    ],
)
def test_what_no_null_can_rest_on_is_refused(tmp_path, shown, more, line) -> None:
    paths = settings(tmp_path, 1.0, shown, **more)
    at_hz = more.get("carrier_hz", CARRIER_HZ)
    with pytest.raises(BadInput, match=line) as refused:
        calibrate_deviation(paths, shown, at_hz=at_hz)
    assert "\n" not in str(refused.value)


def test_numbers_that_do_not_belong_to_the_recordings(tmp_path) -> None:
    paths = settings(tmp_path, 1.0, (2300.0, 2400.0, 2500.0))
    for shown, line in (
        ((2300.0, 2400.0), "2 deviations are given for 3"),
        ((2300.0, -2400.0, 2500.0), "0 or less"),
        ((2500.0, 2400.0, 2300.0), "more deviation shown is less"),
        ((2.3, 2.4, 2.5), "true deviation is 1000.* times"),
        # Peak to peak.
        ((4600.0, 4800.0, 5000.0), "true deviation is 0.5.* times"),
    ):
        with pytest.raises(BadInput, match=line):
            calibrate_deviation(paths, shown, at_hz=CARRIER_HZ)
    other = fm(tmp_path, "other", 2640.0, tone_hz=1100.0)
    with pytest.raises(BadInput, match="tones of"):
        calibrate_deviation([*paths, other], (2300.0, 2400.0, 2500.0, 2640.0), at_hz=CARRIER_HZ)


@pytest.mark.parametrize("index", [1.9, 2.3, 2.4048, 2.5, 2.9])
@pytest.mark.parametrize(("off_hz", "tone_off_hz"), [(0.0, 0.0), (2.5, -0.8)])
def test_lines_of_one_frame(index, off_hz, tone_off_hz) -> None:
    """Without noise: the carrier line with its sign, whatever the phases and the first guess."""
    rate_hz, tone_hz = 25e3, 1000.0
    time_s = np.arange(6250) / rate_hz
    sine = Sine(frequency_hz=tone_hz, deviation_hz=index * tone_hz, phase_rad=1.1)
    angle = 2.0 * np.pi * off_hz * time_s + 2.7 + modulation_phase_rad([sine], time_s)
    found = fit_fm_lines(np.exp(1j * angle), rate_hz, 0.0, tone_hz + tone_off_hz, 6)
    # 1e-4: side lines beyond the 6th (J_7 of 2.9 is 0.002, its power 4e-6 of the whole, twice),
    # and what two rounds leave of the frequencies.
    assert found.carrier == pytest.approx(bessel_j(0, index), abs=1e-4)
    assert found.tone_hz == pytest.approx(tone_hz, abs=1e-3)
    assert found.sides[:, 0] == pytest.approx([bessel_j(1, index)] * 2, abs=1e-3)
    assert found.share == pytest.approx(1.0, abs=1e-3)
