"""Keyed carriers in noise, as channel blocks: made here by numpy alone, truth by construction.

A carrier is switched at exact times by an amplitude from 0 to 1, sampled finely, filtered by a
plain windowed-sinc low-pass, and taken down to the channel rate.
"""

import itertools

import numpy as np

from harness.blocks import Block

RATE_HZ = 25000.0
SPACING_HZ = 12500.0
OVERSAMPLING = 20


def keyed_iq(
    duration_s,
    keyings,
    *,
    noise_db=-40.0,
    rise_s=0.0,
    fall_s=0.0,
    amplitude=0.3,
    offset_hz=400.0,
    frequency_hz=None,
    random=1,
    rate_hz=RATE_HZ,
    spacing_hz=SPACING_HZ,
):
    """Complex64 channel samples of a carrier keyed at ``keyings``: pairs (on_s, off_s).

    The envelope rises along a straight line of *power* 1/2 at ``on_s``: amplitude
    sqrt(1/2) there, 0 to 1 within ``rise_s``. ``noise_db`` is noise to carrier power in the
    channel. ``frequency_hz`` is a function of time (fine array) for modulation.
    """
    generator = np.random.default_rng(random)
    fine_hz = rate_hz * OVERSAMPLING
    count = round(duration_s * rate_hz)
    t = np.arange(count * OVERSAMPLING) / fine_hz
    envelope = np.zeros(len(t))
    for on_s, off_s in keyings:
        up = _ramp(t, on_s, rise_s, fine_hz)
        down = _ramp(-t, -off_s, fall_s, fine_hz)
        envelope = np.maximum(envelope, np.minimum(up, down))
    frequency = np.full(len(t), offset_hz)
    if frequency_hz is not None:
        frequency = frequency + frequency_hz(t)
    phase = 2 * np.pi * np.cumsum(frequency) / fine_hz
    iq = envelope * np.exp(1j * phase)
    taps = _lowpass(0.75 * spacing_hz / fine_hz, 24 * OVERSAMPLING)
    clean = _filtered(iq, taps)[::OVERSAMPLING][:count]
    white = generator.normal(size=count + 200) + 1j * generator.normal(size=count + 200)
    channel_taps = _lowpass(0.75 * spacing_hz / rate_hz, 24)
    coloured = _filtered(white, channel_taps)[100 : 100 + count]
    coloured *= np.sqrt(10 ** (noise_db / 10) / np.mean(np.abs(coloured) ** 2))
    return (amplitude * (clean + coloured)).astype(np.complex64)


def _ramp(t, at_s, length_s, fine_hz):
    length_s = max(length_s, 1e-3 / fine_hz)
    return np.clip((t - at_s) / length_s + np.sqrt(0.5), 0.0, 1.0)


def _lowpass(cutoff, half):
    n = np.arange(-half, half + 1)
    taps = 2 * cutoff * np.sinc(2 * cutoff * n) * np.kaiser(2 * half + 1, 9.0)
    return taps / taps.sum()


def _filtered(iq, taps):
    size = 1 << int(np.ceil(np.log2(len(iq) + len(taps))))
    out = np.fft.ifft(np.fft.fft(iq, size) * np.fft.fft(taps, size))
    half = len(taps) // 2
    return out[half : half + len(iq)]


def cut(samples, places=(), *, start=0, rate_hz=RATE_HZ):
    """Blocks of the samples, cut at places."""
    edges = [0, *sorted(places), len(samples)]
    return [Block(samples[a:b], start + a, rate_hz) for a, b in itertools.pairwise(edges)]
