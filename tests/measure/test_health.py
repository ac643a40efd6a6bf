"""Health of a receiver, on samples whose faults were put in by their formulas.

Truths: shares that were counted out, levels that were added, the image ratio of unequal gain and
phase of I and Q, ``(1 - 2 g cos p + g^2) / (1 + 2 g cos p + g^2)``, written here again. Everything
is 2 s at 250 kS/s unless said. Tolerances are given with each table.
"""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.blocks import Block
from harness.measure.health import HealthWatch, Watched
from harness.measure.health_findings import findings_of
from tests.truth.files import quantise

RATE_HZ = 250e3
COUNT = 500_000
TIME_S = np.arange(COUNT) / RATE_HZ
CENTRE_HZ = 153.785e6
CHANNEL_HZ = CENTRE_HZ + 40e3
SPACING_HZ = 12.5e3


def noise(rms: float, random: int = 1, count: int = COUNT) -> np.ndarray:
    """Complex white noise of a mean power of ``rms`` squared."""
    draw = np.random.default_rng(random).normal(scale=rms / math.sqrt(2.0), size=(count, 2))
    return draw[:, 0] + 1j * draw[:, 1]


def carrier(offset_hz: float, amplitude: float, time_s: np.ndarray = TIME_S) -> np.ndarray:
    """An FM carrier with a 1 kHz tone of 1.5 kHz deviation."""
    phase = 2.0 * np.pi * offset_hz * time_s + 1.5 * np.sin(2.0 * np.pi * 1000.0 * time_s)
    return amplitude * np.exp(1j * phase)


def unbalanced(iq: np.ndarray, gain: float, phase_rad: float) -> np.ndarray:
    """I times ``gain``; Q seen askew by ``phase_rad``."""
    return gain * iq.real + 1j * (math.cos(phase_rad) * iq.imag + math.sin(phase_rad) * iq.real)


def image_ratio_db(gain: float, phase_rad: float) -> float:
    both = 1.0 + gain * gain
    cross = 2.0 * gain * math.cos(phase_rad)
    return 10.0 * math.log10((both - cross) / (both + cross))


def watch(iq: np.ndarray, datatype: str = "cu8", **how) -> HealthWatch:
    codes = quantise(iq, datatype) if np.iscomplexobj(iq) else iq
    stream = Watched(
        **{
            "name": "output receiver",
            "datatype": datatype,
            "sample_rate_hz": RATE_HZ,
            "centre_hz": CENTRE_HZ,
            "channel_hz": CHANNEL_HZ,
            **how,
        }
    )
    watching = HealthWatch(stream)
    watching.push(Block(codes, 0, RATE_HZ))
    return watching


def healthy(iq: np.ndarray, datatype: str = "cu8", **how):
    return watch(iq, datatype, **how).finish()


def kinds(health) -> list[str]:
    return [finding.kind for finding in findings_of(health)]


GOOD = carrier(40e3, 0.3) + noise(0.02) + 0.004


def test_a_sound_receiver_has_nothing_to_say() -> None:
    health = healthy(GOOD)
    assert kinds(health) == []
    assert health.gain_steps == ()
    assert health.samples == COUNT
    assert (health.lost_samples, health.clipped_samples, health.still_rails) == (0, 0, ())


@pytest.mark.parametrize(
    ("amplitude", "noise_rms", "tolerance_db"),
    # Both known exactly; of the noise in a channel, 2 s and 12.5 kHz are 25 000 draws: five sigma
    # of its mean are 0.14 dB, and the quartile of lines that it is told from adds as much. To
    # 0.2 dB the converter's rounding is in it as well: counted in.
    [(0.3, 0.02, 0.3), (0.03, 0.02, 0.3), (0.5, 0.1, 0.3)],
)
def test_levels_are_those_that_were_put_in(amplitude, noise_rms, tolerance_db) -> None:
    band = healthy(carrier(40e3, amplitude) + noise(noise_rms)).spectrum
    rounding = 2.0 / 12.0 / 127.5**2
    in_channel = (noise_rms**2 + rounding) * SPACING_HZ / RATE_HZ
    assert abs(band.noise_dbfs - 10 * math.log10(in_channel)) < tolerance_db
    assert abs(band.channel_dbfs - 10 * math.log10(amplitude**2 + in_channel)) < 0.1
    assert abs(band.emission_dbfs - 20 * math.log10(amplitude)) < 0.1
    assert abs(band.emission_hz - CHANNEL_HZ) < 100.0  # half a channel's line or so: 66 Hz each
    assert not band.spike_in_channel


@pytest.mark.parametrize("clipped", [1, 50, 5000])
def test_clipped_samples_are_counted(clipped) -> None:
    """Exact: so many samples are set to a rail, I or Q."""
    codes = quantise(GOOD, "cu8").copy()
    places = np.random.default_rng(4).choice(COUNT, clipped, replace=False)
    codes[places, places % 2] = np.where(places % 3 == 0, 0, 255)
    health = healthy(codes)
    assert health.clipped_samples == clipped
    assert health.clipped_share == clipped / COUNT
    assert health.peak_dbfs == 0.0
    (finding,) = findings_of(health)
    assert (finding.kind, finding.severity) == ("clipped", "caution")
    assert f"{100.0 * clipped / COUNT:.2g} %" in finding.sentence


def test_clipping_of_a_moment_shows_at_its_worst() -> None:
    """For a quarter of a second it is 10 dB above full scale: a look in there is all of it."""
    strong = GOOD.copy()
    strong[200_000:260_000] *= 10.0
    health = healthy(strong)
    # 60 000 of 500 000; noise takes a few off the rails.
    assert abs(health.clipped_share - 0.12) < 0.001
    assert health.worst_clipped_share > 0.99


@pytest.mark.parametrize(("peak", "dbfs"), [(1.0, 0.0), (0.5, -6.02), (0.1, -20.0)])
def test_headroom(peak, dbfs) -> None:
    """A plain carrier's peak is its amplitude; to half a code of 127.5 (at 0.1: 0.34 dB)."""
    health = healthy(peak * np.exp(2j * np.pi * 40e3 * TIME_S), "cf32_le")
    assert abs(health.peak_dbfs - dbfs) < 0.01
    assert ("headroom" in kinds(health)) == (peak == 1.0)


@pytest.mark.parametrize(
    ("spike", "at_hz"), [(0.1, 40e3), (0.01, 40e3), (0.004 - 0.003j, 40e3), (0.01, 1e3)]
)
def test_the_spike_is_what_was_added(spike, at_hz) -> None:
    """Within 0.3 dB: a hundredth of a line's noise (-66 dBFS) beside -46 dBFS, and rounding."""
    health = healthy(carrier(40e3, 0.3) + noise(0.02) + spike, channel_hz=CENTRE_HZ + at_hz)
    band = health.spectrum
    assert not band.spike_dbfs.is_bound
    assert abs(band.spike_dbfs.level_db - 20.0 * math.log10(abs(spike))) < 0.3
    assert band.spike_in_channel == (at_hz == 1e3)
    loud = abs(spike) >= 0.1
    assert kinds(health) == (["DC spike"] if loud or at_hz == 1e3 else [])


def test_without_a_spike_it_is_a_bound() -> None:
    band = healthy(carrier(40e3, 0.3) + noise(0.02)).spectrum
    assert band.spike_dbfs.is_bound
    # A line 250 Hz wide holds 1/1000 of the noise: -64 dBFS; the bound lies there.
    assert -68.0 < band.spike_dbfs.level_db < -60.0


@pytest.mark.parametrize(
    ("gain", "phase_rad"),
    [(1.10, 0.0), (1.0, 0.1), (1.03, 0.02), (0.97, -0.03), (1.01, 0.005)],
)
@pytest.mark.parametrize("noise_rms", [0.0005, 0.02])
def test_the_image_is_that_of_the_formula(gain, phase_rad, noise_rms) -> None:
    """To five sigma of what chance adds, and 0.02 dB for the lines beyond the emission's edges.

    Of 2 s a flat-top window uses 1 / 3.77, and in that the noise beside an amplitude a adds
    ``noise^2 / rate / seconds / a^2`` to b^2, half of it in step with b.
    """
    iq = unbalanced(carrier(40e3, 0.3) + noise(noise_rms), gain, phase_rad)
    health = healthy(iq, "ci16_le")
    image = health.spectrum.image_db
    truth_db = image_ratio_db(gain, phase_rad)
    # Unequal rails make the noise improper too, by the same ratio: nothing else is there.
    assert not image.is_bound
    chance = noise_rms**2 / RATE_HZ / (2.0 / 3.77) / 0.3**2
    sigma_db = 8.69 * math.sqrt(chance / 2.0 / 10 ** (truth_db / 10.0))
    assert abs(image.level_db - truth_db) < 5.0 * sigma_db + 0.02
    assert sigma_db < 0.25
    assert health.spectrum.image_hz == pytest.approx(CENTRE_HZ - 40e3, abs=100.0)
    assert ("image" in kinds(health)) == (truth_db > -30.0)


def test_a_balanced_receiver_has_a_bound_below_its_noise() -> None:
    """Nothing was put in: it must not be found, and the bound lies under the noise there."""
    for random in range(20):
        band = healthy(carrier(40e3, 0.3) + noise(0.02, random), "ci16_le").spectrum
        assert band.image_db.is_bound
        assert band.image_db.level_db < band.noise_dbfs - band.emission_dbfs


def test_another_emission_at_the_mirror_is_no_image() -> None:
    """30 dB below, on its own carrier and tone: a power meter would call it an image of -30 dB."""
    phase = -2.0 * np.pi * 40_050.0 * TIME_S + 2.0 * np.sin(2.0 * np.pi * 700.0 * TIME_S)
    other = 0.3 * 10 ** (-30 / 20) * np.exp(1j * phase)
    image = healthy(carrier(40e3, 0.3) + other + noise(0.005), "ci16_le").spectrum.image_db
    assert image.level_db < -42.0


def test_an_image_in_the_channel_is_told() -> None:
    """The strongest emission is not the wanted one, and its image falls on that."""
    iq = carrier(-40e3, 0.5) + carrier(40e3, 0.01) + noise(0.01)
    health = healthy(unbalanced(iq, 1.02, 0.01))
    assert health.spectrum.image_in_channel
    (finding,) = findings_of(health)
    assert finding.kind == "image"
    assert "falls into the channel" in finding.sentence


@pytest.mark.parametrize("at_hz", [0.0, 1.5e3])
def test_an_emission_on_its_own_image_has_none(at_hz) -> None:
    health = healthy(carrier(at_hz, 0.3) + noise(0.01), channel_hz=CENTRE_HZ + at_hz)
    assert health.spectrum.image_db is None
    assert kinds(health) == ["DC spike"]


SCALED = unbalanced(carrier(40e3, 0.9) + noise(0.003), 1.04, 0.03)


@settings(max_examples=20, deadline=None)
@given(st.floats(min_value=1e-3, max_value=1.0))
def test_the_image_does_not_hang_on_the_level(scale) -> None:
    """Property: everything scaled alike, the ratio stays, to rounding of float32."""
    whole = healthy(SCALED, "cf32_le").spectrum
    part = healthy(scale * SCALED, "cf32_le").spectrum
    assert part.image_db.level_db == pytest.approx(whole.image_db.level_db, abs=1e-3)
    moved_db = 20.0 * math.log10(scale)
    assert part.channel_dbfs == pytest.approx(whole.channel_dbfs + moved_db, abs=1e-3)
    assert part.noise_dbfs == pytest.approx(whole.noise_dbfs + moved_db, abs=1e-3)


def test_conjugated_all_is_mirrored() -> None:
    iq = unbalanced(carrier(40e3, 0.3) + noise(0.01), 1.05, 0.02)
    plain = healthy(iq, "ci16_le").spectrum
    turned = healthy(np.conj(iq), "ci16_le", channel_hz=CENTRE_HZ - 40e3).spectrum
    assert turned.image_db.level_db == pytest.approx(plain.image_db.level_db, abs=0.01)
    assert turned.emission_hz - CENTRE_HZ == pytest.approx(CENTRE_HZ - plain.emission_hz, abs=0.1)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(0, 60_000), max_size=6))
def test_the_cut_does_not_show(cuts) -> None:
    """Exact, a gap and clipping included."""
    codes = quantise(GOOD[:60_000] * np.linspace(0.5, 4.0, 60_000), "cu8")
    health = []
    for places in ([], sorted(cuts)):
        watching = HealthWatch(
            Watched(
                name="x", datatype="cu8", sample_rate_hz=RATE_HZ, centre_hz=0.0, channel_hz=40e3
            )
        )
        for first, last in itertools.pairwise([0, *places, 60_000]):
            for begin, end in ((first, min(last, 30_000)), (max(first, 30_000), last)):
                if begin < end:
                    gap = 777 if begin >= 30_000 else 0
                    lost = gap if begin == 30_000 else 0
                    watching.push(Block(codes[begin:end], begin + gap, RATE_HZ, lost))
        health.append(watching.finish())
    assert health[0] == health[1]
    assert health[0].lost_samples == 777
    assert health[0].samples == 60_000


def test_lost_samples_are_told() -> None:
    watching = watch(GOOD)
    watching.push(Block(quantise(GOOD, "cu8"), COUNT + 1234, RATE_HZ, 1234))
    health = watching.finish()
    assert health.lost_samples == 1234
    (finding,) = findings_of(health)
    assert finding.kind == "lost samples"
    assert "1234 samples" in finding.sentence


def test_nothing_came() -> None:
    watching = HealthWatch(
        Watched(name="x", datatype="cu8", sample_rate_hz=RATE_HZ, centre_hz=CENTRE_HZ)
    )
    health = watching.finish()
    assert health.spectrum is None
    assert health.peak_dbfs is None
    (finding,) = findings_of(health)
    assert (finding.kind, finding.severity) == ("dead", "fault")


@pytest.mark.parametrize("count", [1, 100, 3000])
def test_less_than_a_frame_is_counted_only(count) -> None:
    health = healthy(GOOD[:count])
    assert health.samples == count
    assert health.spectrum is None


def test_one_frame_is_enough_for_a_spectrum() -> None:
    health = healthy(GOOD[:8000])
    assert health.spectrum.frames >= 1
    assert kinds(health) == []


@pytest.mark.parametrize(
    ("codes", "severity", "words"),
    [
        (np.full((COUNT, 2), 128, np.uint8), "fault", "all samples are the same"),
        (np.zeros((COUNT, 2), np.uint8), "fault", "all samples are the same"),
        (np.tile(np.uint8([[0, 255], [255, 0]]), (COUNT // 2, 1)), "fault", "clipped through"),
        (quantise(np.real(GOOD) + 0.0j, "cu8"), "fault", "Q stands still"),
    ],
)
def test_a_receiver_that_gives_nothing_is_at_fault(codes, severity, words) -> None:
    first = findings_of(healthy(codes))[0]
    assert first.severity == severity
    assert words in first.what
    assert first.where == "output receiver"
    assert first.remedy


def test_zeros_of_floats_are_silence_and_no_error() -> None:
    health = healthy(np.zeros(COUNT, complex), "cf32_le")
    assert health.level_dbfs is None
    assert [f.severity for f in findings_of(health)] == ["fault"]


def test_noise_alone_holds_no_emission() -> None:
    for random in range(20):
        health = healthy(noise(0.05, random))
        assert health.spectrum.emission_hz is None
        assert kinds(health) == []


def test_too_little_gain_is_told() -> None:
    """Noise of a third of a code: the rounding is most of what stands there."""
    assert kinds(healthy(noise(0.33 / 127.5) + 0.003)) == ["floor"]


def test_where_no_channel_is_named_it_is_the_strongest_emission() -> None:
    band = healthy(GOOD + carrier(-70e3, 0.6), channel_hz=None).spectrum
    assert not band.is_named
    assert band.channel_hz == pytest.approx(CENTRE_HZ - 70e3, abs=100.0)


def test_memory_does_not_grow() -> None:
    """The arrays of a watch are as many and as long after 20 s as after 2 s."""

    def held(watching: HealthWatch) -> int:
        found = [*vars(watching).values(), *vars(watching.lines).values()]
        return sum(each.nbytes for each in found if isinstance(each, np.ndarray))

    watching = watch(GOOD)
    before = held(watching)
    codes = quantise(GOOD, "cu8")
    for number in range(1, 10):
        watching.push(Block(codes, number * COUNT, RATE_HZ))
    assert held(watching) == before
